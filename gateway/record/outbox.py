"""Journal entries on their way to the broker: on disk, removed only after it has them.

An entry enters in the same transaction as the journal (see `journal.append_all`), so neither
can be there without the other after the process died.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from .journal import FIELDS, Entry, to_entry


def take(connection: sqlite3.Connection, limit: int) -> list[Entry]:
    """The oldest entries that are not done, at most `limit`; they stay until `done`."""
    fields = ", ".join(f"journal.{name}" for name in FIELDS)
    rows = connection.execute(
        f"SELECT {fields} FROM outbox JOIN journal USING (seq) "  # noqa: S608 - own column names
        "ORDER BY outbox.seq LIMIT ?",
        (limit,),
    ).fetchall()
    return [to_entry(row) for row in rows]


def done(connection: sqlite3.Connection, seqs: Iterable[int]) -> None:
    """Remove entries that the broker has confirmed."""
    connection.executemany("DELETE FROM outbox WHERE seq = ?", [(seq,) for seq in seqs])


def waiting(connection: sqlite3.Connection) -> int:
    """How many entries are not done."""
    (number,) = connection.execute("SELECT count(*) FROM outbox").fetchone()
    return int(number)
