"""What the program remembers by name, such as the learnt picture of the loops."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from typing import Any


def keep(connection: sqlite3.Connection, name: str, time_ms: int, body: Mapping[str, Any]) -> None:
    """Remember `body` under `name`, in place of what stood there."""
    connection.execute(
        "INSERT OR REPLACE INTO memory VALUES (?, ?, ?)",
        (name, time_ms, json.dumps(body, separators=(",", ":"))),
    )


def recall(connection: sqlite3.Connection, name: str) -> Mapping[str, Any] | None:
    """What is remembered under `name`, or None."""
    row = connection.execute("SELECT body FROM memory WHERE name = ?", (name,)).fetchone()
    return None if row is None else dict(json.loads(row[0]))
