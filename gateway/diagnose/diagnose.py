"""The order of the detectors, and the one place where conditions become findings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns
from gateway.plant.site import Site

from . import explain
from .agreement import Agreement
from .catalogue.entry import Entry
from .catalogue.faults import CATALOGUE
from .detector import Condition, Detector
from .feedback import Feedback
from .findings import Finding, SubjectKind
from .latch import Latch
from .link import Answers, Movement
from .span import Range
from .stillness import Stillness
from .wire import Bands

RANK = {fault: k for k, fault in enumerate(CATALOGUE)}


def detectors(columns: Columns) -> tuple[Detector, ...]:
    """Every detector; add yours here and its fault to the catalogue."""
    return (
        Answers(),
        Movement(columns),
        Bands(columns.transducers),
        Range(columns.transducers),
        Stillness(columns),
        Agreement(columns),
        Feedback(columns),
    )


class Diagnosis:
    """Turns readings into findings raised and cleared; remembers which stand open.

    open_before: findings that stood open when the program last stopped; they stay open until
    their condition is seen to be gone.
    """

    def __init__(self, site: Site, columns: Columns, open_before: Iterable[Finding] = ()) -> None:
        self._site, self._columns = site, columns
        self._detectors = detectors(columns)
        self._latches = {fault: self._latch(entry) for fault, entry in CATALOGUE.items()}
        self._active: dict[str, Bools] = {
            fault: np.zeros(len(self._ids(entry.kind)), dtype=np.bool_)
            for fault, entry in CATALOGUE.items()
        }
        self._open: dict[tuple[str, str], Finding] = {}
        for finding in open_before:
            self._reopen(finding)

    @property
    def open(self) -> tuple[Finding, ...]:
        """Open findings, oldest first."""
        return tuple(sorted(self._open.values(), key=lambda f: (f.since, RANK[f.fault])))

    def examine(self, readings: Readings) -> tuple[Finding, ...]:
        """Findings raised and cleared in these rows, in order of time."""
        conditions = [c for d in self._detectors for c in d.examine(readings)]
        conditions.sort(key=lambda c: RANK[c.fault])
        active: dict[str, Bools] = {}
        events: list[tuple[int, int, int, Condition, bool]] = []
        for condition in conditions:
            entry = CATALOGUE[condition.fault]
            blocked = self._blocked(entry, active, condition.holds.shape)
            now = self._latches[condition.fault].follow(
                readings.time, condition.holds, condition.known, blocked
            )
            active[condition.fault] = now
            before = np.concatenate([self._active[condition.fault][None], now[:-1]])
            for row, column in np.argwhere(now != before):
                on = bool(now[row, column])
                events.append((int(row), RANK[condition.fault], int(column), condition, on))
            self._active[condition.fault] = now[-1]
        return tuple(self._event(readings.time, event) for event in sorted(events, key=_order))

    def _event(self, time: Floats, event: tuple[int, int, int, Condition, bool]) -> Finding:
        row, _, column, condition, on = event
        entry, when = CATALOGUE[condition.fault], float(time[row])
        key = (entry.fault, self._ids(entry.kind)[column])
        if on:
            raised = explain.finding(
                self._site, self._columns, entry, condition, row=row, column=column, time=when
            )
            self._open[key] = raised
            return raised
        return explain.cleared(self._open.pop(key), when)

    def _blocked(self, entry: Entry, active: dict[str, Bools], shape: Sequence[int]) -> Bools:
        """(R, N) where a cause stands raised on the subject or on something it depends on."""
        blocked = np.zeros(shape, dtype=np.bool_)
        for cause in entry.blocked_by:
            if cause in active:
                blocked |= self._carried(CATALOGUE[cause].kind, entry.kind, active[cause])
        return blocked

    def _carried(self, cause: SubjectKind, subject: SubjectKind, active: Bools) -> Bools:
        """A cause on controllers or transducers, as it touches transducers or loops."""
        if cause == subject:
            return active
        loops = self._columns.loops
        if (cause, subject) == ("controller", "transducer"):
            return active[:, self._columns.transducers.controller]
        if (cause, subject) == ("controller", "loop"):
            return np.asarray(active @ loops.uses.T, dtype=np.bool_)
        if (cause, subject) == ("transducer", "loop"):
            return np.asarray(active @ loops.has.T, dtype=np.bool_)
        raise ValueError(f"a {cause} fault cannot explain a {subject} fault")

    def _ids(self, kind: SubjectKind) -> tuple[str, ...]:
        match kind:
            case "controller":
                return self._columns.controllers.ids
            case "transducer":
                return self._columns.transducers.ids
            case "loop":
                return self._columns.loops.ids

    def _latch(self, entry: Entry) -> Latch:
        n = len(self._ids(entry.kind))
        # Ten seconds or five polls of silence and the count starts again.
        gap = np.maximum(10.0, 5 * self._slowest(entry.kind))
        return Latch(np.full(n, entry.raise_s), np.full(n, entry.clear_s), gap)

    def _slowest(self, kind: SubjectKind) -> Floats:
        interval = self._columns.controllers.interval
        match kind:
            case "controller":
                return interval
            case "transducer":
                return interval[self._columns.transducers.controller]
            case "loop":
                uses = self._columns.loops.uses
                slowest: Floats = np.where(uses, interval, 0.0).max(axis=1, initial=0.0)
                return slowest

    def _reopen(self, finding: Finding) -> None:
        ids = self._ids(CATALOGUE[finding.fault].kind) if finding.fault in CATALOGUE else ()
        if finding.subject in ids:
            column = ids.index(finding.subject)
            self._latches[finding.fault].seed(column)
            self._active[finding.fault][column] = True
            self._open[(finding.fault, finding.subject)] = finding


def _order(event: tuple[int, int, int, Condition, bool]) -> tuple[int, int, int]:
    return event[:3]
