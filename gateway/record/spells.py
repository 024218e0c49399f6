"""What lasted, and what people did: findings and alarms of a period with beginning and end."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable
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
    rows = connection.execute(
        f"SELECT {', '.join(FIELDS)} FROM journal "  # noqa: S608 - own column names
        f"WHERE time_ms >= ? AND kind IN (?, ?) AND subject IN ({', '.join('?' * len(ids))}) "
        "ORDER BY seq DESC LIMIT ?",
        (round(start * 1000), FINDING, ALARM, *ids, MOST + 1),
    ).fetchall()
    entries = [to_entry(row) for row in reversed(rows[:MOST])]
    findings = _findings(entries, subjects)
    alarms, deeds = _alarms(connection, entries, subjects)
    spells = [one for one in (*findings, *alarms) if one.start < end]
    return Lasted(
        spells=sorted(spells, key=lambda one: one.start),
        deeds=[t for t in deeds if start <= t.time < end],
        whole=len(rows) <= MOST,
    )


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
