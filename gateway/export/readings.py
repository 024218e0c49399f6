"""What registers meant: value, quality and reason of every series, a row a poll.

Values and qualities are those that were recorded. Reasons are found again from the recorded
register values; where today's site file would judge otherwise than the one of that time, the
reason says that it is not known. Of days that are only in the archive, which keeps register values,
all of it is found again by today's site file.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from gateway.measure.blocks import Block, Codes, Readings
from gateway.measure.columns import Columns
from gateway.measure.measure import Measure
from gateway.measure.quality import WORDS, Quality
from gateway.plant.site import Site
from gateway.record import layout
from gateway.record.readback import Recorded, recorded
from gateway.replay.archived import ends, kept_blocks

from .order import FIRST, QUANTITIES, Order
from .series import Series, series_of
from .table import Cells, Column, Ends, Slice, Table, in_unit, rows_per_slice

UNKNOWN = 255
NOT_KNOWN = "not known: recorded under another site file"
QUALITY_WORDS = {int(quality): quality.name.lower() for quality in Quality}
REASON_WORDS = {int(reason): word for reason, word in WORDS.items()}


def readings_table(site: Site, order: Order, archive: Path | None) -> Table:
    """Value, quality and reason of each series, in display units.

    archive: the folder with the days that are no more in the history.
    """
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
        for block, readings in _measured(connection, archive, measure, order, len(columns)):
            reasons, judged = _judged(site, measure.columns, series, block, readings)
            yield _slice(connection, series, reasons, judged)

    def known(connection: sqlite3.Connection) -> Ends:
        return ends(connection, archive)

    return Table(tuple(columns), slices, known)


def _measured(
    connection: sqlite3.Connection,
    archive: Path | None,
    measure: Measure,
    order: Order,
    columns: int,
) -> Iterator[tuple[Block, Readings]]:
    """Blocks of the span with what they mean; a stretch before it teaches what is held."""
    points = measure.columns.points.refs
    before = max(FIRST, order.start - max(measure.columns.controllers.stale_after, default=0.0))
    limit = rows_per_slice(max(columns, len(points)))
    for block in kept_blocks(connection, archive, before, order.start, limit, points=points):
        measure.examine(block)
    for block in kept_blocks(connection, archive, order.start, order.end, limit, points=points):
        yield block, measure.examine(block)


def _slice(
    connection: sqlite3.Connection, series: tuple[Series, ...], reasons: Codes, judged: Recorded
) -> Slice:
    time_ms = judged.time_ms
    stored = _over(
        judged,
        recorded(connection, int(time_ms[0]), int(time_ms[-1]), [one.stored for one in series]),
    )
    reasons = np.where(judged.qualities == stored.qualities, reasons, np.uint8(UNKNOWN))
    words = REASON_WORDS | {UNKNOWN: NOT_KNOWN}
    cells: list[Cells] = [time_ms / 1000.0]
    for k, one in enumerate(series):
        cells += [
            stored.values[:, k] / one.factor,
            [QUALITY_WORDS[code] for code in stored.qualities[:, k].tolist()],
            [words[code] for code in reasons[:, k].tolist()],
        ]
    return Slice(tuple(cells))


def _over(judged: Recorded, stored: Recorded) -> Recorded:
    """What was recorded, and what is judged today of rows that are only in the archive."""
    if np.array_equal(stored.time_ms, judged.time_ms):
        return stored
    values, qualities = judged.values.copy(), judged.qualities.copy()
    _, here, there = np.intersect1d(judged.time_ms, stored.time_ms, return_indices=True)
    values[here], qualities[here] = stored.values[there], stored.qualities[there]
    return Recorded(judged.time_ms, values, qualities)


def _judged(
    site: Site, columns: Columns, series: tuple[Series, ...], block: Block, readings: Readings
) -> tuple[Codes, Recorded]:
    """(R, S) reasons, and values and qualities, as today's site file gives them."""
    places = {name: k for k, name in enumerate(layout.layout_of(columns).series)}
    values, qualities = layout.series_of(columns, readings)
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
    kept = [places[one.stored] for one in series]
    time_ms = np.round(block.time * 1000).astype(np.int64)
    return reasons, Recorded(time_ms, values[:, kept], qualities[:, kept])
