"""Journal entries on their way to the broker: on disk, removed only after it has them.

An entry enters in the same transaction as the journal (see `journal.append_all`), so neither
can be there without the other after the process died.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from .journal import FIELDS, Entry, identity, to_entry


@dataclass(frozen=True)
class Waiting:
    """One entry that is not done.

    previous: sequence number of the entry of the same kind before it, 0 for the first, so that a
    receiver can see what it has missed. journal: see `journal.identity`.
    """

    entry: Entry
    previous: int
    journal: str


def take(connection: sqlite3.Connection, limit: int, after: int = 0) -> list[Waiting]:
    """The oldest entries that are not done, at most `limit`; they stay until `done`.

    after: only those with a higher sequence number.
    """
    fields = ", ".join(f"journal.{name}" for name in FIELDS)
    rows = connection.execute(
        f"SELECT {fields}, coalesce("  # noqa: S608 - own column names
        " (SELECT earlier.seq FROM journal AS earlier"
        "  WHERE earlier.kind = journal.kind AND earlier.seq < journal.seq"
        "  ORDER BY earlier.seq DESC LIMIT 1), 0)"
        " FROM outbox JOIN journal USING (seq) WHERE outbox.seq > ? ORDER BY outbox.seq LIMIT ?",
        (after, limit),
    ).fetchall()
    whose = identity(connection) if rows else ""
    return [Waiting(to_entry(row[:-1]), int(row[-1]), whose) for row in rows]


def done(connection: sqlite3.Connection, seqs: Iterable[int]) -> None:
    """Remove entries that the broker has confirmed."""
    connection.executemany("DELETE FROM outbox WHERE seq = ?", [(seq,) for seq in seqs])


def waiting(connection: sqlite3.Connection) -> int:
    """How many entries are not done."""
    (number,) = connection.execute("SELECT count(*) FROM outbox").fetchone()
    return int(number)
