"""A journal in memory, with the real questions to it."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from gateway.alarm.transition import Transition
from gateway.diagnose.findings import Finding
from gateway.record import journal, lookup, schema, spells
from gateway.record.journal import FINDING, Search
from gateway.record.lookup import Page
from gateway.record.spells import Lasted, Subject


class Book:
    """Takes what happened, answers what is asked; `stopped`: why it takes nothing now."""

    def __init__(self) -> None:
        self.stopped = ""
        self._lock = threading.Lock()
        self._connection = sqlite3.connect(
            ":memory:", isolation_level=None, check_same_thread=False
        )
        schema.upgrade(self._connection, "memory")

    def trouble(self) -> str:
        return self.stopped

    async def keep(self, transitions: Sequence[Transition]) -> None:
        self.write(transitions)

    def write(self, happened: Iterable[journal.Happened]) -> None:
        with self._lock:
            journal.append_all(self._connection, happened, outbox=False)

    def findings(self, wanted: Search, limit: int) -> list[Finding]:
        with self._lock:
            found = journal.search(self._connection, replace(wanted, kind=FINDING), limit)
            return [journal.to_finding(entry) for entry in found]

    def lasted(self, subjects: Collection[Subject], start: float, end: float) -> Lasted:
        with self._lock:
            return spells.lasted(self._connection, subjects, start, end)

    def page(self, wanted: Search, text: str, limit: int) -> Page:
        with self._lock:
            return lookup.page(self._connection, wanted, limit, text=text)

    def transitions(self, start: float, end: float, standing: Collection[str]) -> list[Transition]:
        with self._lock:
            return lookup.transitions(self._connection, start, end, standing)

    def begun(self) -> float | None:
        with self._lock:
            return lookup.begun(self._connection)
