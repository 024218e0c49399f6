"""What was: trends, findings and the journal, asked of the history file in short questions."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import numpy as np

from gateway.alarm.transition import Transition
from gateway.diagnose.findings import Finding
from gateway.errors import Fault, StoreError
from gateway.record.checks import spans
from gateway.record.history import reader
from gateway.record.journal import FINDING, Search, search, to_finding
from gateway.record.lookup import Page, begun, page, transitions
from gateway.record.spells import Lasted, Subject, lasted
from gateway.record.standing import Standing, standing
from gateway.record.trends import Trend, trend

from .refusals import RefusalError

T = TypeVar("T")


def nothing() -> Standing:
    """How no file stands."""
    raise StoreError("there is no history file")


@dataclass(frozen=True)
class Past:
    """Questions; all of them block, so ask them through `ask`.

    trends(series, start, end, buckets): one trend a series, empty for one never recorded.
    findings(wanted, limit): raised and cleared, newest first. journal(wanted, text, limit),
    transitions(start, end, standing), begun(): see `record/lookup.py`; lasted(subjects, start,
    end): `record/spells.py`; stands(): `record/standing.py`. Times in seconds since 1970.
    StoreError or sqlite3.Error when the file cannot be read.
    """

    trends: Callable[[Sequence[str], float, float, int], list[Trend]]
    findings: Callable[[Search, int], list[Finding]]
    journal: Callable[[Search, str, int], Page]
    transitions: Callable[[float, float, Collection[str]], list[Transition]]
    begun: Callable[[], float | None]
    lasted: Callable[[Collection[Subject], float, float], Lasted]
    stands: Callable[[], Standing] = nothing
    file: Path | None = None
    """The history file, for exports; None: there is none."""
    checked: Callable[[Sequence[str]], list[tuple[float, float]]] = lambda _transducers: []
    """Begin and end of every loop check that any of these transducers was in."""


def stored(file: Path) -> Past:
    """The past as the history file has it."""

    def trends(series: Sequence[str], start: float, end: float, buckets: int) -> list[Trend]:
        with reader(file) as connection:
            return [_trend(connection, name, start, end, buckets) for name in series]

    def findings(wanted: Search, limit: int) -> list[Finding]:
        with reader(file) as connection:
            found = search(connection, replace(wanted, kind=FINDING), limit)
            return [to_finding(entry) for entry in found]

    def journal(wanted: Search, text: str, limit: int) -> Page:
        with reader(file) as connection:
            return page(connection, wanted, limit, text=text)

    def history(start: float, end: float, standing: Collection[str]) -> list[Transition]:
        with reader(file) as connection:
            return transitions(connection, start, end, standing)

    def spells(subjects: Collection[Subject], start: float, end: float) -> Lasted:
        with reader(file) as connection:
            return lasted(connection, subjects, start, end)

    def stands() -> Standing:
        with reader(file) as connection:
            return standing(connection)

    def beginning() -> float | None:
        with reader(file) as connection:
            return begun(connection)

    def checked(transducers: Sequence[str]) -> list[tuple[float, float]]:
        with reader(file) as connection:
            return spans(connection, transducers)

    return Past(trends, findings, journal, history, beginning, spells, stands, file, checked)


def _trend(
    connection: sqlite3.Connection, name: str, start: float, end: float, buckets: int
) -> Trend:
    try:
        return trend(connection, name, start, end, buckets)
    except KeyError:
        none = np.zeros(0)
        whole, codes = none.astype(np.int64), none.astype(np.uint8)
        return Trend(none, whole, none, none, none, none, codes, 0.0)


async def ask(question: Callable[[], T]) -> T:
    """Run a question in a thread; RefusalError (503) when the file cannot be read."""
    try:
        return await asyncio.to_thread(question)
    except (StoreError, sqlite3.Error) as error:
        raise RefusalError(503, Fault("history", str(error), "a later try")) from error
