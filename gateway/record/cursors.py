"""How far each receiver has got: the last millisecond that it certainly has.

The rollups are a receiver too, under the name "rollups".
"""

from __future__ import annotations

import sqlite3


def get(connection: sqlite3.Connection, name: str) -> int | None:
    """Milliseconds since 1970, None for a receiver that never got anything."""
    row = connection.execute("SELECT time_ms FROM cursors WHERE name = ?", (name,)).fetchone()
    return int(row[0]) if row else None


def put(connection: sqlite3.Connection, name: str, time_ms: int) -> None:
    """Set a receiver's cursor, forward or back."""
    connection.execute(
        "INSERT INTO cursors (name, time_ms) VALUES (?, ?)"
        " ON CONFLICT (name) DO UPDATE SET time_ms = excluded.time_ms",
        (name, time_ms),
    )


def advance(connection: sqlite3.Connection, name: str, before: int, time_ms: int) -> None:
    """Set a cursor that still stands at `before`; one that was taken back meanwhile stays."""
    connection.execute(
        "UPDATE cursors SET time_ms = ? WHERE name = ? AND time_ms = ?", (time_ms, name, before)
    )


def rewind(connection: sqlite3.Connection, time_ms: int) -> None:
    """Take every cursor beyond `time_ms` back to it, after the clock stepped back."""
    connection.execute("UPDATE cursors SET time_ms = ? WHERE time_ms > ?", (time_ms, time_ms))
