"""What lasted, and what people did: findings and alarms of a period with beginning and end."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Literal

from gateway.alarm.states import Event
from gateway.alarm.transition import GATEWAY, Transition
from gateway.diagnose.findings import Finding

from .journal import ALARM, FIELDS, FINDING, Entry, to_entry, to_finding, to_transition

MOST = 2000
"""Entries looked at, newest first."""

Subject = tuple[str, str]
"""Kind and id."""


@dataclass(frozen=True)
class Spell:
    """A finding, or an alarm that no finding stands for. Seconds since 1970; end None: goes on."""

    kind: Literal["finding", "alarm"]
    id: str
    fault: str
    subject: Subject
    title: str
    start: float
    end: float | None
    finding: Finding | None = None


@dataclass(frozen=True)
class Lasted:
    """Spells that were not over before a period, deeds of people in it, oldest first.

    whole: False when there was too much to look at all of it; the newest is there then.
    """

    spells: list[Spell]
    deeds: list[Transition]
    whole: bool


def lasted(
    connection: sqlite3.Connection, subjects: Collection[Subject], start: float, end: float
) -> Lasted:
    """What began or ended from `start` on, and began before `end`, at any of the subjects.

    What began before `start` and goes on is not among it: the journal says nothing of it since.
    """
    ids = sorted({subject for _, subject in subjects})
    first, last = round(start * 1000), round(end * 1000)
    rows = _asked(
        connection, ids, "kind IN (?, ?) AND time_ms >= ? AND time_ms < ?",
        (FINDING, ALARM, first, last), "DESC",
    )  # fmt: skip
    entries = [*reversed(rows[:MOST]), *_ends(connection, ids, last)]
    findings = _findings(entries, subjects)
    alarms, deeds = _alarms(connection, entries, subjects)
    spells = [one for one in (*findings, *alarms) if one.start < end]
    return Lasted(
        spells=sorted(spells, key=lambda one: one.start),
        deeds=[t for t in deeds if start <= t.time < end],
        whole=len(rows) <= MOST,
    )


def _ends(connection: sqlite3.Connection, ids: Sequence[str], last: int) -> list[Entry]:
    """What ended from a time on (ms) that began before it, oldest first, however long ago."""
    cleared = _asked(
        connection, ids,
        "kind = ? AND phase = 'cleared' AND time_ms >= ? AND NOT EXISTS (SELECT 1 FROM journal AS"
        " begun WHERE begun.ref = journal.ref AND begun.phase = 'raised' AND begun.time_ms >= ?)",
        (FINDING, last, last), "ASC",
    )  # fmt: skip
    # The first word on an alarm since then is that it is over.
    over = _asked(
        connection, ids,
        "phase = ? AND kind = ? AND time_ms >= ? AND NOT EXISTS (SELECT 1 FROM journal AS begun"
        " WHERE begun.ref = journal.ref AND begun.phase IN (?, ?) AND begun.time_ms >= ?"
        " AND begun.seq < journal.seq)",
        (Event.RETURN.value, ALARM, last, Event.ALARM.value, Event.RETURN.value, last), "ASC",
    )  # fmt: skip
    return sorted([*cleared, *over], key=lambda entry: entry.seq)


def _asked(
    connection: sqlite3.Connection,
    ids: Sequence[str],
    tests: str,
    values: tuple[str | float, ...],
    order: Literal["ASC", "DESC"],
) -> list[Entry]:
    """Entries on subjects, at most MOST and one more, by their numbers."""
    rows = connection.execute(
        f"SELECT {', '.join(FIELDS)} FROM journal "  # noqa: S608 - own column names and tests
        f"WHERE {tests} AND subject IN ({', '.join('?' * len(ids))}) "
        f"ORDER BY seq {order} LIMIT ?",
        (*values, *ids, MOST + 1),
    ).fetchall()
    return [to_entry(row) for row in rows]


def _findings(entries: Iterable[Entry], subjects: Collection[Subject]) -> list[Spell]:
    found: dict[str, Spell] = {}
    for entry in entries:
        if entry.kind != FINDING:
            continue
        with suppress(KeyError, TypeError, ValueError):  # an entry that nobody can read
            told = to_finding(entry)
            if (told.kind, told.subject) in subjects:
                found[told.id] = of_finding(told)
    return list(found.values())


def of_finding(told: Finding) -> Spell:
    """The spell of a finding, open or cleared."""
    over = told.time if told.phase == "cleared" else None
    subject = (told.kind, told.subject)
    return Spell("finding", told.id, told.fault, subject, told.title, told.since, over, told)


def _of_alarm(told: Transition, start: float, end: float | None) -> Spell:
    subject = (told.kind, told.subject)
    return Spell("alarm", told.alarm, told.fault, subject, told.message, start, end)


def _alarms(
    connection: sqlite3.Connection, entries: Iterable[Entry], subjects: Collection[Subject]
) -> tuple[list[Spell], list[Transition]]:
    spells: list[Spell] = []
    deeds: list[Transition] = []
    begun: dict[str, Transition] = {}
    for entry in entries:
        if entry.kind != ALARM:
            continue
        with suppress(KeyError, TypeError, ValueError):
            told = to_transition(entry)
            if (told.kind, told.subject) not in subjects:
                continue
            if told.actor != GATEWAY:
                deeds.append(told)
            if told.finding:
                continue
            if told.event is Event.ALARM:
                begun[told.alarm] = told
            elif told.event is Event.RETURN:
                first = begun.pop(told.alarm, None)
                start = first.time if first else _onset(connection, entry)
                spells.append(_of_alarm(told, start, told.time))
    spells += [_of_alarm(told, told.time, None) for told in begun.values()]
    return spells, deeds


def _onset(connection: sqlite3.Connection, over: Entry) -> float:
    """When an alarm that ended in the period began, seconds since 1970."""
    row = connection.execute(
        "SELECT time_ms FROM journal WHERE ref = ? AND phase = ? AND seq < ? "
        "ORDER BY seq DESC LIMIT 1",
        (over.ref, Event.ALARM.value, over.seq),
    ).fetchone()
    return (row[0] if row else over.time_ms) / 1000
