"""The tables of the history file, and the steps that lead from each older version to this one.

Rows of scans and readings are whole rows of blobs under an integer key (milliseconds since 1970),
so a commit touches only the last page of each table. Never change a step that was released: add
one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from gateway.errors import StoreError

from . import third_step

APPLICATION_ID = 0x4C577331
"""Marks the file as ours (SQLite's application_id)."""

FIRST = (
    # Column names of one version of the site file, as JSON; rows refer to it for ever.
    "CREATE TABLE layouts (id INTEGER PRIMARY KEY, columns TEXT NOT NULL UNIQUE)",
    # The block as polled: float64 and reason codes, one a point. `time` keeps every bit of it.
    """CREATE TABLE scans (
        time_ms INTEGER PRIMARY KEY, time REAL NOT NULL, layout INTEGER NOT NULL,
        point_values BLOB NOT NULL, reasons BLOB NOT NULL)""",
    # What it meant: float64 and quality codes, one a series.
    """CREATE TABLE readings (
        time_ms INTEGER PRIMARY KEY, layout INTEGER NOT NULL,
        series_values BLOB NOT NULL, qualities BLOB NOT NULL)""",
    "CREATE TABLE series (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)",
    # Sixty one-minute summaries of one series.
    """CREATE TABLE rollups (
        series INTEGER NOT NULL, hour_ms INTEGER NOT NULL, minutes BLOB NOT NULL,
        PRIMARY KEY (series, hour_ms))""",
    """CREATE TABLE journal (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, time_ms INTEGER NOT NULL, kind TEXT NOT NULL,
        subject TEXT NOT NULL, fault TEXT NOT NULL, phase TEXT NOT NULL, ref TEXT NOT NULL,
        actor TEXT NOT NULL, reason TEXT NOT NULL, body TEXT NOT NULL)""",
    "CREATE INDEX journal_ref ON journal (ref, phase)",
    "CREATE INDEX journal_time ON journal (time_ms)",
    # Journal entries that the broker has not got yet.
    "CREATE TABLE outbox (seq INTEGER PRIMARY KEY)",
    "CREATE TABLE cursors (name TEXT PRIMARY KEY, time_ms INTEGER NOT NULL) WITHOUT ROWID",
    # Records that a receiver refused, kept so that somebody can look.
    """CREATE TABLE poison (
        id INTEGER PRIMARY KEY AUTOINCREMENT, sink TEXT NOT NULL, time_ms INTEGER NOT NULL,
        record TEXT NOT NULL, reason TEXT NOT NULL)""",
)

SECOND = (
    # What the program remembers by name, as JSON: the learnt picture.
    """CREATE TABLE memory (
        name TEXT PRIMARY KEY, time_ms INTEGER NOT NULL, body TEXT NOT NULL) WITHOUT ROWID""",
)

THIRD = (
    # One-hour summaries; those of a series lie together, so that a year is read in one go.
    """CREATE TABLE hours (
        series INTEGER NOT NULL, hour_ms INTEGER NOT NULL, summary BLOB NOT NULL,
        PRIMARY KEY (series, hour_ms)) WITHOUT ROWID""",
    third_step.rewrite_minutes,
)

FOURTH = (
    # Loop checks: what happened in them, and the records they end in. Never pruned.
    """CREATE TABLE check_events (
        seq INTEGER PRIMARY KEY AUTOINCREMENT, run TEXT NOT NULL, time_ms INTEGER NOT NULL,
        kind TEXT NOT NULL, body TEXT NOT NULL)""",
    "CREATE INDEX check_events_run ON check_events (run, seq)",
    """CREATE TABLE check_records (
        number INTEGER PRIMARY KEY, run TEXT NOT NULL UNIQUE, time_ms INTEGER NOT NULL,
        loop TEXT NOT NULL, hash TEXT NOT NULL, body TEXT NOT NULL, pdf BLOB)""",
)

Step = tuple[str | Callable[[sqlite3.Connection], None], ...]

MIGRATIONS: tuple[Step, ...] = (FIRST, SECOND, THIRD, FOURTH)
"""Step n leads from version n to n + 1; forward only."""


def upgrade(connection: sqlite3.Connection, file: str) -> None:
    """Bring a file to this version. StoreError for a newer one or another program's."""
    (owner,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if tables and owner != APPLICATION_ID:
        raise StoreError(f"{file}: a database of another program; allowed: a folder of its own")
    if version > len(MIGRATIONS):
        raise StoreError(
            f"{file}: schema version {version}, written by a newer version of this program; "
            f"allowed: up to {len(MIGRATIONS)}"
        )
    for number, step in enumerate(MIGRATIONS[version:], version + 1):
        connection.execute("BEGIN IMMEDIATE")
        for part in step:
            if isinstance(part, str):
                connection.execute(part)
            else:
                part(connection)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {number}")
        connection.execute("COMMIT")
