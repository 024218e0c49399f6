"""The journal as a table: findings, steps of alarms, and what people did, oldest first."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from math import isfinite

import numpy as np

from gateway.record.journal import ALARM, FIELDS, Entry, to_entry

from .order import Order
from .table import Column, Slice, Table, ends_of

ENTRIES = 1000
"""Entries that one question brings."""
SPOKEN = ("title", "message", "status", "next_check", "consequence")
"""Parts of an entry's body that people read."""
STEP = ("before", "after", "priority", "cause")
"""Parts of the body of an alarm's step."""
COLUMNS = (
    Column("time", "time", "", "when it happened, UTC"),
    Column("number", "count", "", "place in the journal, rising"),
    Column("kind", "text", "", "finding, alarm, or what else was asked for"),
    Column("subject", "text", "", "transducer, loop or controller"),
    Column("fault", "text", "", "which fault or alarm"),
    Column("phase", "text", "", "raised, cleared, or the step of the alarm"),
    Column("actor", "text", "", "who did it"),
    Column("reason", "text", "", "why, in that person's words"),
    *(Column(name.replace("_", " "), "text", "", "in words") for name in SPOKEN),
    Column("evidence", "text", "", "the numbers that convinced, as JSON"),
    Column("id", "text", "", "of the alarm or of the finding"),
    Column("before", "text", "", "state of the alarm before"),
    Column("after", "text", "", "state of the alarm after"),
    Column("priority", "text", "", "of the alarm"),
    Column("cause", "text", "", "id of the alarm that explains it"),
)


def journal_table(order: Order) -> Table:
    """Entries of the span about the order's transducers and loops, or about anything."""

    def slices(connection: sqlite3.Connection) -> Iterator[Slice]:
        seq = 0
        while rows := connection.execute(
            f"SELECT {', '.join(FIELDS)} FROM journal"  # noqa: S608 - own column names
            " WHERE seq > ? AND time_ms >= ? AND time_ms < ? ORDER BY seq LIMIT ?",
            (seq, int(order.start * 1000 // 1), int(-(-order.end * 1000 // 1)), ENTRIES),
        ).fetchall():
            entries = [to_entry(row) for row in rows]
            seq = entries[-1].seq
            kept = [one for one in entries if order.whole or _touches(one, order)]
            if kept:
                yield _slice(kept)

    return Table(COLUMNS, slices, ends_of("journal"))


def _touches(entry: Entry, order: Order) -> bool:
    return entry.subject in order.subjects or bool(
        order.subjects.intersection(entry.body.get("loops") or ())
    )


def _slice(entries: list[Entry]) -> Slice:
    time = np.array([one.time_ms for one in entries]) / 1000.0
    texts = [[str(getattr(one, c.name)) for one in entries] for c in COLUMNS[2:8]]
    texts += [[str(one.body.get(name) or "") for one in entries] for name in SPOKEN]
    texts.append([_evidence(one) for one in entries])
    texts.append([one.ref for one in entries])
    steps = [one.body if one.kind == ALARM else {} for one in entries]
    texts += [[str(step.get(name) or "") for step in steps] for name in STEP]
    numbers = np.array([one.seq for one in entries], dtype=np.int64)
    return Slice((time, numbers, *texts))


def _evidence(entry: Entry) -> str:
    found = {
        name: None if isinstance(value, float) and not isfinite(value) else value
        for name, value in (entry.body.get("evidence") or {}).items()
    }
    return json.dumps(found, ensure_ascii=False) if found else ""
