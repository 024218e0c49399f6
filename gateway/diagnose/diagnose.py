"""The order of the detectors, and the one place where conditions become findings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns
from gateway.measure.uncertainty import YEAR_S
from gateway.plant.site import Site

from . import explain
from .action import Action
from .catalogue.entry import Entry
from .catalogue.faults import CATALOGUE
from .cycling import Cycling
from .deadinput import DeadInput
from .detector import Condition, Detector, Judge
from .duties import Duties, duties, no_duties
from .feedback import Feedback
from .findings import Finding, SubjectKind
from .holding import Holding
from .hunting import Hunting
from .latch import Latch
from .link import Answers, Movement
from .liveliness import livelinesses
from .loosewire import LooseWire
from .means import Means
from .minutes import Gather
from .pairs import Pairs
from .picture import Picture, blank, forget
from .polarity import Polarity
from .reach import Reach
from .scaling import Scaling
from .setpoint import Setpoint
from .span import Range
from .stillness import Stillness
from .wire import Bands

Event = tuple[int, int, int, Condition, bool]
"""Row, rank of the fault, column, the condition, raised or cleared."""
RANK = {fault: k for k, fault in enumerate(CATALOGUE)}


def detectors(columns: Columns, asked: Duties | None = None) -> tuple[Detector, ...]:
    """Every detector that looks at rows; add yours here and its fault to the catalogue.

    asked: what the site file asks of each loop; None: nothing.
    """
    asked = asked or no_duties(len(columns.loops.ids))
    return (
        Answers(),
        Movement(columns),
        Polarity(columns.transducers),
        LooseWire(columns),
        Bands(columns.transducers),
        DeadInput(columns),
        Range(columns.transducers),
        Stillness(columns),
        Feedback(columns),
        Setpoint(columns, asked),
    )


def judges(
    columns: Columns, picture: Picture, arl0: float, asked: Duties | None = None
) -> tuple[Judge, ...]:
    """Every detector that looks at minutes; they share the learnt picture."""
    asked = asked or no_duties(len(columns.loops.ids))
    return (
        *livelinesses(columns, picture, arl0),
        Pairs(columns, picture, arl0),
        Scaling(columns),
        Means(columns),
        Action(columns, asked),
        Cycling(columns),
        Hunting(columns),
        Holding(columns),
    )


class Diagnosis:
    """Turns readings into findings raised and cleared; remembers which stand open.

    open_before: findings that stood open when the program last stopped; they stay open until
    their condition is seen to be gone. picture: what was learnt before, or None. false_alarm_s:
    wanted time between false alarms of one test.
    """

    def __init__(
        self,
        site: Site,
        columns: Columns,
        open_before: Iterable[Finding] = (),
        picture: Picture | None = None,
        false_alarm_s: float = YEAR_S,
    ) -> None:
        self._site, self._columns = site, columns
        self._reach = Reach(columns)
        self.picture = picture or blank(columns)
        self._gather = Gather(columns)
        asked = duties(site)
        self._detectors = detectors(columns, asked)
        self._judges = judges(columns, self.picture, false_alarm_s / self._gather.width, asked)
        self._latches: dict[tuple[str, str], Latch] = {}
        self._active: dict[str, Bools] = {
            fault: np.zeros(len(self._ids(entry.kind)), dtype=np.bool_)
            for fault, entry in CATALOGUE.items()
        }
        self._open: dict[tuple[str, str], Finding] = {}
        for finding in open_before:
            self._reopen(finding)
        self._seeds = {fault: np.flatnonzero(on) for fault, on in self._active.items()}

    @property
    def open(self) -> tuple[Finding, ...]:
        """Open findings, oldest first."""
        return tuple(sorted(self._open.values(), key=lambda f: (f.since, RANK[f.fault])))

    def examine(self, readings: Readings) -> tuple[Finding, ...]:
        """Findings raised and cleared in these rows, in order of time."""
        minutes = self._gather.examine(readings)
        active: dict[str, Bools] = {}
        said: dict[str, list[tuple[Condition, Bools]]] = {}
        first = [c for d in self._detectors for c in d.examine(readings)]
        early = [c for c in first if _unsound(c.fault)]
        late = [c for c in first if not _unsound(c.fault)]
        self._follow(readings.time, early, active, said)
        trouble = self._trouble(active, len(readings))
        second = [c for j in self._judges for c in j.examine(readings, minutes, trouble)]
        self._follow(readings.time, late + second, active, said)
        events: list[Event] = []
        for fault, now in active.items():
            before = np.concatenate([self._active[fault][None], now[:-1]])
            for row, column in np.argwhere(now != before).tolist():
                condition = _speaker(said[fault], row, column)
                events.append((row, RANK[fault], column, condition, bool(now[row, column])))
            self._active[fault] = now[-1]
        return tuple(self._event(readings.time, e) for e in sorted(events, key=lambda e: e[:3]))

    def forget(self, loop_id: str) -> None:
        """Unlearn one loop after work on it; KeyError for an unknown loop."""
        if loop_id not in self._columns.loops.ids:
            raise KeyError(loop_id)
        loop = self._columns.loops.ids.index(loop_id)
        forget(self.picture, self._columns, loop)
        for judge in self._judges:
            judge.forget(loop)

    def _follow(
        self,
        time: Floats,
        conditions: list[Condition],
        active: dict[str, Bools],
        said: dict[str, list[tuple[Condition, Bools]]],
    ) -> None:
        """Let delays and causes turn conditions into faults that stand."""
        for condition in sorted(conditions, key=lambda c: RANK[c.fault]):
            entry = CATALOGUE[condition.fault]
            latch = self._latches.get((condition.fault, condition.by))
            if latch is None:
                latch = self._latches[condition.fault, condition.by] = self._latch(entry)
            if latch.quiet(condition.holds):
                continue
            blocked = self._blocked(entry, active, condition.holds.shape)
            now = latch.follow(time, condition.holds, condition.known, blocked)
            said.setdefault(condition.fault, []).append((condition, now))
            earlier = active.get(condition.fault)
            active[condition.fault] = now if earlier is None else earlier | now

    def _trouble(self, active: dict[str, Bools], rows: int) -> Bools:
        """(R, L) where link or wires are not sound, so that no pressure can be judged."""
        trouble = np.zeros((rows, len(self._columns.loops.ids)), dtype=np.bool_)
        for fault, now in active.items():
            trouble |= self._reach.carried(CATALOGUE[fault].kind, "loop", now)
        return trouble

    def _event(self, time: Floats, event: Event) -> Finding:
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
                blocked |= self._reach.carried(CATALOGUE[cause].kind, entry.kind, active[cause])
        for cause in entry.follows:
            if cause in active:
                blocked |= self._reach.from_peers(active[cause])
        return blocked

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
        again = np.full(n, entry.again_s)
        latch = Latch(np.full(n, entry.raise_s), np.full(n, entry.clear_s), gap, again)
        for column in self._seeds[entry.fault].tolist():
            latch.seed(column)
        return latch

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
            self._active[finding.fault][column] = True
            self._open[(finding.fault, finding.subject)] = finding


def _unsound(fault: str) -> bool:
    """Whether a fault leaves nothing to be judged: link, wire, or a reading that stands still."""
    return CATALOGUE[fault].group in ("link", "wire") or fault == "frozen"


def _speaker(said: list[tuple[Condition, Bools]], row: int, column: int) -> Condition:
    """The condition that made a fault stand at this row, else the first of them."""
    return next((c for c, now in said if now[row, column]), said[0][0])
