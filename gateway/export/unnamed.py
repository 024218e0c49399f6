"""What a history holds that an export leaves out, since the site file does not name it (any more).

It is exported with the site file of its time; a person who asks for everything should hear of it.
"""

from __future__ import annotations

import sqlite3

from gateway.plant.site import Site
from gateway.record import layout, rollup

from .order import Order

TOLD = frozenset({"readings", "minutes", "hours"})
"""Kinds of rows that are about transducers and loops."""


def unnamed(connection: sqlite3.Connection, site: Site, order: Order) -> tuple[str, ...]:
    """Transducers and loops with something in the span of the order, such as "transducer dp-7".

    Nothing when the order itself names what it wants.
    """
    if not order.whole or order.rows not in TOLD:
        return ()
    named = {f"transducer/{key}" for key in site.transducers} | {
        f"loop/{key}" for key in site.loops
    }
    found = {
        _subject(name)
        for number, name in connection.execute("SELECT id, name FROM series").fetchall()
        if _subject(name) not in named and _summed_up(connection, number, order)
    }
    found |= {one for one in _not_summed_up(connection, order) if one not in named}
    return tuple(one.replace("/", " ") for one in sorted(found))


def _subject(series: str) -> str:
    return "/".join(series.split("/")[:2])


def _summed_up(connection: sqlite3.Connection, number: int, order: Order) -> bool:
    first = order.start * 1000 // rollup.HOUR_MS * rollup.HOUR_MS
    return any(
        connection.execute(
            f"SELECT EXISTS (SELECT 1 FROM {table}"  # noqa: S608 - own table names
            " WHERE series = ? AND hour_ms >= ? AND hour_ms < ?)",
            (number, first, order.end * 1000),
        ).fetchone()[0]
        for table in ("rollups", "hours")
    )


def _not_summed_up(connection: sqlite3.Connection, order: Order) -> set[str]:
    """Of the last rows, which no summary holds yet."""
    first = max(order.start * 1000, rollup.rolled_to(connection) or 0)
    numbers = connection.execute(
        "SELECT DISTINCT layout FROM readings WHERE time_ms >= ? AND time_ms < ?",
        (first, order.end * 1000),
    ).fetchall()
    known = layout.kept(connection)
    return {_subject(name) for (number,) in numbers for name in known[number].series}
