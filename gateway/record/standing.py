"""How the history file stands: its size, since when each class of records is kept, what waits."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from . import outbox

_OLDEST = (
    "SELECT min(oldest) FROM (SELECT"
    " (SELECT min(hour_ms) FROM {} WHERE series = one.id) AS oldest FROM series AS one)"
)
CLASSES = {
    "rows": "SELECT min(time_ms) FROM readings",
    "minutes": _OLDEST.format("rollups"),
    "hours": _OLDEST.format("hours"),
    "journal": "SELECT time_ms FROM journal ORDER BY seq LIMIT 1",
}
"""A class of records and the question for its oldest, ms since 1970."""


@dataclass(frozen=True)
class Standing:
    """since: oldest record of each class, seconds since 1970; None where there is none.

    outbox: events that the broker has yet to take. refused: records that a receiver never takes,
    by receiver. entries: of the journal so far. version: of the schema.
    """

    since: dict[str, float | None]
    outbox: int
    refused: dict[str, int]
    entries: int
    version: int


def standing(connection: sqlite3.Connection) -> Standing:
    """Ask the file; every question is answered by an index."""
    since: dict[str, float | None] = {}
    for name, question in CLASSES.items():
        row = connection.execute(question).fetchone()
        since[name] = row[0] / 1000 if row and row[0] is not None else None
    (entries,) = connection.execute("SELECT coalesce(max(seq), 0) FROM journal").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    refused = connection.execute("SELECT sink, count(*) FROM poison GROUP BY sink").fetchall()
    return Standing(
        since=since, outbox=outbox.waiting(connection), refused=dict(refused),
        entries=int(entries), version=int(version),
    )  # fmt: skip
