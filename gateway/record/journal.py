"""The journal: what happened, in order, never changed.

Findings raised and cleared, every transition of an alarm with who did it and why, and what else
people asked for.
"""

from __future__ import annotations

import json
import secrets
import sqlite3
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import structlog

from gateway.alarm.transition import Transition, from_body, to_body
from gateway.diagnose.findings import Finding, Status

from . import memory

NAME = "journal"
FIELDS = (
    "seq", "time_ms", "kind", "subject", "fault", "phase", "ref", "actor", "reason", "body",
)  # fmt: skip
FINDING = "finding"
ALARM = "alarm"

log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class Entry:
    """One line of the journal. `ref` ties entries on the same thing together.

    Of a finding: its id; of an alarm's transition: the alarm's id, and the event as `phase`.
    """

    seq: int
    time_ms: int
    kind: str
    subject: str
    fault: str = ""
    phase: str = ""
    ref: str = ""
    actor: str = ""
    reason: str = ""
    body: Mapping[str, Any] = field(default_factory=dict)


Happened = Finding | Transition | Entry
"""What can be put into the journal; entries are what people did beside alarms."""


def to_entry(row: tuple[Any, ...]) -> Entry:
    """An entry from a row of FIELDS."""
    values = dict(zip(FIELDS, row, strict=True))
    return Entry(**{**values, "body": json.loads(values["body"])})


def append(connection: sqlite3.Connection, entry: Entry) -> int:
    """Add an entry and return its sequence number; the entry's own `seq` is not looked at."""
    names = FIELDS[1:]
    values = [getattr(entry, name) for name in names[:-1]]
    cursor = connection.execute(
        f"INSERT INTO journal ({', '.join(names)}) "  # noqa: S608 - own column names
        f"VALUES ({', '.join('?' * len(names))})",
        (*values, json.dumps(entry.body, separators=(",", ":"), default=float)),
    )
    return int(cursor.lastrowid or 0)


def append_all(
    connection: sqlite3.Connection, happened: Iterable[Happened], *, outbox: bool
) -> None:
    """Add what happened, in order; with `outbox`, into the outbox too, but for plain entries."""
    for one in happened:
        if isinstance(one, Entry):
            append(connection, one)
            continue
        entry = _of_alarm(one) if isinstance(one, Transition) else _entry_of(one)
        seq = append(connection, entry)
        if outbox:
            connection.execute("INSERT INTO outbox (seq) VALUES (?)", (seq,))


def identity(connection: sqlite3.Connection) -> str:
    """What tells this journal from one that was begun anew, whose numbers start again at 1."""
    known = memory.recall(connection, NAME)
    if known is None:
        known = {"id": secrets.token_hex(8)}
        memory.keep(connection, NAME, round(time.time() * 1000), known)
    return str(known["id"])


def _of_alarm(t: Transition) -> Entry:
    return Entry(
        seq=0,
        time_ms=round(t.time * 1000),
        kind=ALARM,
        subject=t.subject,
        fault=t.fault,
        phase=t.event.value,
        ref=t.alarm,
        actor=t.actor,
        reason=t.reason,
        body=to_body(t),
    )


def to_transition(entry: Entry) -> Transition:
    """The transition an entry of kind "alarm" was made of; KeyError or ValueError if it is not."""
    return from_body(entry.body)


def _entry_of(finding: Finding) -> Entry:
    return Entry(
        seq=0,
        time_ms=round(finding.time * 1000),
        kind=FINDING,
        subject=finding.subject,
        fault=finding.fault,
        phase=finding.phase,
        ref=finding.id,
        body={**vars(finding), "evidence": dict(finding.evidence)},
    )


def to_finding(entry: Entry) -> Finding:
    """The finding an entry of kind "finding" was made of."""
    body = dict(entry.body)
    body["status"] = Status(body["status"])
    for name in ("rivals", "loops"):
        body[name] = tuple(body[name])
    return Finding(**body)


def open_findings(connection: sqlite3.Connection) -> tuple[Finding, ...]:
    """Findings raised and not cleared, oldest first: what was open when the process ended."""
    rows = connection.execute(
        f"SELECT {', '.join(FIELDS)} FROM journal AS raised "  # noqa: S608 - own column names
        "WHERE kind = ? AND phase = 'raised' AND NOT EXISTS ("
        " SELECT 1 FROM journal AS later WHERE later.ref = raised.ref AND later.seq > raised.seq)"
        " ORDER BY seq",
        (FINDING,),
    ).fetchall()
    return tuple(_readable(to_entry(row) for row in rows))


def _readable(entries: Iterable[Entry]) -> Iterator[Finding]:
    """Findings of those that can be read: one of another version must not keep all from running."""
    for entry in entries:
        try:
            yield to_finding(entry)
        except (KeyError, TypeError, ValueError) as error:
            reason = f"{type(error).__name__}: {error}"
            log.warning("journal entry of a finding cannot be read", seq=entry.seq, reason=reason)


@dataclass(frozen=True)
class Search:
    """What to look for; None and "" are "any". Times in seconds, end not included."""

    start: float | None = None
    end: float | None = None
    kind: str = ""
    subject: str = ""
    fault: str = ""
    actor: str = ""
    ref: str = ""
    before: int | None = None
    """Only entries with a lower sequence number: the last one of the page before."""
    least: int | None = None
    """Only entries from this sequence number on."""


def search(connection: sqlite3.Connection, wanted: Search, limit: int = 100) -> list[Entry]:
    """Matching entries, newest first, at most `limit`; page on with `before`."""
    tests: list[tuple[str, Any]] = []
    if wanted.start is not None:
        tests.append(("time_ms >= ?", round(wanted.start * 1000)))
    if wanted.end is not None:
        tests.append(("time_ms < ?", round(wanted.end * 1000)))
    if wanted.before is not None:
        tests.append(("seq < ?", wanted.before))
    if wanted.least is not None:
        tests.append(("seq >= ?", wanted.least))
    names = ("kind", "subject", "fault", "actor", "ref")
    tests += [(f"{name} = ?", word) for name in names if (word := getattr(wanted, name))]
    where = " AND ".join(test for test, _ in tests) or "1"
    rows = connection.execute(
        f"SELECT {', '.join(FIELDS)} FROM journal "  # noqa: S608 - own column names
        f"WHERE {where} ORDER BY seq DESC LIMIT ?",
        (*(value for _, value in tests), limit),
    ).fetchall()
    return [to_entry(row) for row in rows]
