"""Where the rows go: each time-series server, organisation and bucket has a cursor of its own.

The one in use is the cursor NAME; those of places that were left stay beside it under their own
names, so that who comes back gets what was recorded meanwhile. Who is new gets what the settings
say.
"""

from __future__ import annotations

import sqlite3
from urllib.parse import urlsplit

from gateway.record import cursors, memory
from gateway.settings import Settings

NAME = "influx"
DAY_MS = 86_400_000


def place(settings: Settings) -> str:
    """What tells one destination from another; no name or password of the address is in it."""
    parts = urlsplit(settings.influx_url)
    server = f"{parts.scheme}://{parts.netloc.rpartition('@')[2].lower()}{parts.path.rstrip('/')}"
    return f"{server} {settings.influx_org}/{settings.influx_bucket}"


def begin(connection: sqlite3.Connection, settings: Settings) -> int:
    """The cursor of the destination in the settings (ms since 1970), made the one in use.

    A destination that is new gets `influx_first_days` before the newest row. A history file that
    does not tell yet where it sent its rows is taken to have sent them to this one.
    """
    here = place(settings)
    there = (memory.recall(connection, NAME) or {}).get("place")
    cursor = cursors.get(connection, NAME)
    if there == here and cursor is not None:
        return cursor
    (newest,) = connection.execute("SELECT coalesce(max(time_ms), 0) FROM readings").fetchone()
    if there is not None and there != here:
        if cursor is not None:
            cursors.put(connection, f"{NAME} {there}", cursor)
        cursor = cursors.get(connection, f"{NAME} {here}")
    if cursor is None:
        cursor = max(0, round(newest - settings.influx_first_days * DAY_MS))
    cursors.put(connection, NAME, cursor)
    memory.keep(connection, NAME, newest, {"place": here})
    return cursor
