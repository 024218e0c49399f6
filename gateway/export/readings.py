"""What registers meant: value, quality and reason of every series, a row a poll.

Values and qualities are those that were recorded. Reasons are found again from the recorded
register values; where today's site file would judge otherwise than the one of that time, the
reason says that it is not known.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

import numpy as np

from gateway.measure.blocks import Block, Codes, Readings
from gateway.measure.columns import Columns, Ints
from gateway.measure.measure import Measure
from gateway.measure.quality import WORDS, Quality
from gateway.plant.site import Site
from gateway.record import layout
from gateway.record.history import raw_blocks
from gateway.record.readback import Recorded, recorded

from .order import FIRST, QUANTITIES, Order
from .series import Series, series_of
from .table import Cells, Column, Slice, Table, ends_of, in_unit, rows_per_slice

UNKNOWN = 255
NOT_KNOWN = "not known: recorded under another site file"
QUALITY_WORDS = {int(quality): quality.name.lower() for quality in Quality}
REASON_WORDS = {int(reason): word for reason, word in WORDS.items()}


def readings_table(site: Site, order: Order) -> Table:
    """Value, quality and reason of each series, in display units."""
    series = series_of(site, order)
    columns = [Column("time", "time", "", "when the row was taken, UTC")]
    for one in series:
        name = one.name
        columns += [
            Column(in_unit(name, one.unit), "number", one.unit, f"{one.about}; empty: none"),
            Column(f"{name} quality", "text", "", f"quality of {name}"),
            Column(f"{name} reason", "text", "", f"why {name} is not good"),
        ]

    def slices(connection: sqlite3.Connection) -> Iterator[Slice]:
        measure = Measure(site)
        for block, readings in _measured(connection, measure, order, len(columns)):
            reasons, judged = _judged(site, measure.columns, series, readings)
            yield _slice(connection, series, block, reasons, judged)

    return Table(tuple(columns), slices, ends_of("readings"))


def _measured(
    connection: sqlite3.Connection, measure: Measure, order: Order, columns: int
) -> Iterator[tuple[Block, Readings]]:
    """Blocks of the span with what they mean; a stretch before it teaches what is held."""
    points = measure.columns.points.refs
    before = max(FIRST, order.start - max(measure.columns.controllers.stale_after, default=0.0))
    limit = rows_per_slice(max(columns, len(points)))
    for block in raw_blocks(connection, before, order.start, limit, points=points):
        measure.examine(block)
    for block in raw_blocks(connection, order.start, order.end, limit, points=points):
        yield block, measure.examine(block)


def _slice(
    connection: sqlite3.Connection,
    series: tuple[Series, ...],
    block: Block,
    reasons: Codes,
    judged: Codes,
) -> Slice:
    time_ms = np.round(block.time * 1000).astype(np.int64)
    stored = _beside(
        time_ms,
        recorded(connection, int(time_ms[0]), int(time_ms[-1]), [one.stored for one in series]),
    )
    reasons = np.where(judged == stored.qualities, reasons, np.uint8(UNKNOWN))
    words = REASON_WORDS | {UNKNOWN: NOT_KNOWN}
    cells: list[Cells] = [time_ms / 1000.0]
    for k, one in enumerate(series):
        cells += [
            stored.values[:, k] / one.factor,
            [QUALITY_WORDS[code] for code in stored.qualities[:, k].tolist()],
            [words[code] for code in reasons[:, k].tolist()],
        ]
    return Slice(tuple(cells))


def _beside(time_ms: Ints, stored: Recorded) -> Recorded:
    """Recorded rows beside those of a block; nothing where one is missing."""
    if np.array_equal(stored.time_ms, time_ms):
        return stored
    values = np.full((len(time_ms), stored.values.shape[1]), np.nan)
    qualities = np.full(values.shape, Quality.BAD, dtype=np.uint8)
    _, here, there = np.intersect1d(time_ms, stored.time_ms, return_indices=True)
    values[here], qualities[here] = stored.values[there], stored.qualities[there]
    return Recorded(time_ms, values, qualities)


def _judged(
    site: Site, columns: Columns, series: tuple[Series, ...], readings: Readings
) -> tuple[Codes, Codes]:
    """(R, S) reasons and qualities as today's site file gives them."""
    places = {name: k for k, name in enumerate(layout.layout_of(columns).series)}
    _, qualities = layout.series_of(columns, readings)
    where = {ref: k for k, ref in enumerate(columns.points.refs)}
    reasons = np.zeros((len(readings), len(series)), dtype=np.uint8)
    for k, one in enumerate(series):
        if not one.quantity:
            reasons[:, k] = readings.reasons[:, site.transducer_column(one.subject)]
        elif one.quantity in QUANTITIES:
            ref = getattr(site.loops[one.subject], one.quantity)
            reasons[:, k] = readings.point_reasons[:, where[ref]]
        else:
            reasons[:, k] = readings.combined_reasons[:, site.loop_column(one.subject)]
    return reasons, qualities[:, [places[one.stored] for one in series]]
