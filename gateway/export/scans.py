"""Decoded register values as polled, in the form that `replay` takes, with every reason."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

from gateway.measure.tellings import told
from gateway.plant.site import Site
from gateway.replay.archived import ends, kept_blocks
from gateway.replay.header import REASONS, TIME

from .order import Order, points_of
from .table import Cells, Column, Ends, Slice, Table, rows_per_slice


def scans_table(site: Site, order: Order, archive: Path | None) -> Table:
    """The points of an order, as `points_table` has them."""
    return points_table(site, points_of(site, order), order.start, order.end, archive)


def points_table(
    site: Site, points: tuple[str, ...], start: float, end: float, archive: Path | None = None
) -> Table:
    """A column for each point, then one for each controller that tells why values are missing.

    Times are seconds since 1970, so that every bit of them comes back. points: those of a
    controller side by side; one that the site does not have any more has no unit. archive: the
    folder with the days that are no more in the history.
    """
    parts = _controllers(points)
    units = {
        f"{c}.{p}": point.unit for c, n in site.controllers.items() for p, point in n.points.items()
    }
    columns = [Column(TIME, "seconds", "s", "when the row was taken, since 1970, UTC")]
    for ref in points:
        about = f"register value of point {ref.partition('.')[2]} as decoded; empty: not read"
        columns.append(Column(ref, "exact", units.get(ref, ""), about))
    for key in parts:
        about = f"why values of {key} are missing; with names: only of those points"
        columns.append(Column(f"{key}{REASONS}", "text", "", about))

    def slices(connection: sqlite3.Connection) -> Iterator[Slice]:
        limit = rows_per_slice(len(columns))
        for block in kept_blocks(connection, archive, start, end, limit, points=points):
            cells: list[Cells] = [block.time, *block.values.T]
            cells += [
                told(block.reasons[:, part], [ref.partition(".")[2] for ref in points[part]])
                for part in parts.values()
            ]
            yield Slice(tuple(cells))

    def known(connection: sqlite3.Connection) -> Ends:
        return ends(connection, archive)

    return Table(tuple(columns), slices, known)


def _controllers(points: tuple[str, ...]) -> dict[str, slice]:
    """Where the points of each controller stand; points in file order."""
    parts: dict[str, slice] = {}
    for k, ref in enumerate(points):
        key = ref.partition(".")[0]
        parts[key] = slice(parts[key].start if key in parts else k, k + 1)
    return parts
