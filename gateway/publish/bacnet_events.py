"""Event states of the analog inputs, what is told of them, and what is acknowledged.

A fault comes from the open findings, at once; a limit from the alarm machine, which has spent its
delays. A limit goes before a fault of the loop: the machine leaves transducers out that cannot be
believed, so its word stands, and a fault must not hide a pressure that holds a door shut.
Acknowledged bits follow the machine, whoever acknowledged.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from .bacnet_alarms import AlarmState, Roll
from .bacnet_codes import RELIABLE, TRANSITION_TO, EventState, Transition
from .bacnet_inputs import Input
from .bacnet_values import Cause, Shown

ACK_REQUIRED = (True, True, False)
"""By transition: coming back to normal needs no acknowledgement."""


@dataclass
class Standing:
    """Where one input stands. Lists by transition."""

    state: EventState = EventState.NORMAL
    told: frozenset[Hashable] = frozenset()
    """What it is in this state for."""
    acknowledged: list[bool] = field(default_factory=lambda: [True] * 3)
    behind: list[bool] = field(default_factory=lambda: [False] * 3)
    """Whether the machine has had an alarm behind the transition."""
    times: list[float | None] = field(default_factory=lambda: [None] * 3)
    reached: list[EventState] = field(
        default_factory=lambda: [EventState.OFFNORMAL, EventState.FAULT, EventState.NORMAL]
    )
    messages: list[str] = field(default_factory=lambda: [""] * 3)
    limit_Pa: float | None = None
    """The one that was passed last."""
    silent: bool = False
    """In a state that nobody was told of, because a person took the alarm away."""

    @property
    def at_rest(self) -> bool:
        """Nothing to tell a front end that asks what is going on."""
        return self.state is EventState.NORMAL and all(self.acknowledged)


@dataclass(frozen=True)
class Notice:
    """Something that recipients are told. time: seconds since 1970 UTC."""

    index: int
    kind: Literal["alarm", "acknowledgement"]
    before: EventState
    after: EventState
    time: float
    message: str
    value: float
    reliability: int
    limit_Pa: float | None = None

    @property
    def transition(self) -> Transition:
        """Which of the three."""
        return TRANSITION_TO[self.after]


@dataclass(frozen=True)
class _Wanted:
    state: EventState
    reasons: frozenset[Hashable]
    message: str
    since: float
    silent: bool = False
    limit_Pa: float | None = None


class Events:
    """Follows what is shown and the alarms."""

    def __init__(self, inputs: Sequence[Input], site_id: str) -> None:
        self._inputs = inputs
        self._site = site_id
        self._reporting = {
            (one.kind, one.subject): k for k, one in enumerate(inputs) if one.reports
        }
        self._standing: dict[int, Standing] = {}
        self._roll = Roll(())
        self._shown = Shown(0.0, [0.0] * len(inputs), [RELIABLE] * len(inputs), {})
        self._first = True

    def of(self, index: int) -> Standing:
        """Where an input stands."""
        return self._standing.get(index) or Standing()

    def standing(self) -> list[tuple[int, Standing]]:
        """Inputs in an event state or with something to acknowledge, by index."""
        return sorted((k, s) for k, s in self._standing.items() if not s.at_rest)

    def examine(self, shown: Shown, alarms: Iterable[AlarmState]) -> list[Notice]:
        """What is to be told after a snapshot; snapshots in order of time."""
        self._shown, self._roll = shown, Roll(alarms)
        touched = {self._reporting[s] for s in self._roll.subjects() if s in self._reporting}
        moving = {k for k, s in self._standing.items() if not s.at_rest}
        notices: list[Notice] = []
        before = self._silent_before() if self._first else set()
        for k in sorted(touched | moving | set(shown.causes) | before):
            notices += self._follow(k)
        self._first = False
        return notices

    def to_acknowledge(self, index: int, transition: Transition) -> tuple[str, ...]:
        """Alarms that an acknowledgement of this transition is about, by id."""
        if self.of(index).acknowledged[transition]:
            return ()
        return tuple(a.id for a in self._behind(index, transition) if not a.acknowledged)

    def acknowledge(self, index: int, transition: Transition, now: float) -> list[Notice]:
        """Note an acknowledgement; what is to be told of it."""
        standing = self.of(index)
        if standing.acknowledged[transition]:
            return []
        standing.acknowledged[transition] = True
        after = standing.reached[transition]
        return [self._notice(index, "acknowledgement", after, after, now, "Acknowledged")]

    def _follow(self, k: int) -> list[Notice]:
        standing = self._standing.setdefault(k, Standing())
        wanted = _wanted(self._inputs[k], self._shown.causes.get(k), self._shown.time, self._roll)
        notices: list[Notice] = []
        changed = wanted.state is not standing.state
        if changed or wanted.reasons - standing.told:
            notices += self._move(k, standing, wanted)
        standing.told = wanted.reasons
        if self._first:
            self._take_over(k, standing)
        for transition in (Transition.TO_OFFNORMAL, Transition.TO_FAULT):
            if not standing.acknowledged[transition] and self._is_acknowledged(k, transition):
                notices += self.acknowledge(k, transition, self._shown.time)
        return notices

    def _move(self, k: int, standing: Standing, wanted: _Wanted) -> list[Notice]:
        before, standing.state = standing.state, wanted.state
        untold, standing.silent = standing.silent, wanted.silent
        transition = TRANSITION_TO[wanted.state]
        behind = self._behind(k, transition)
        done = bool(behind) and all(a.acknowledged for a in behind)
        latest = max((t for t in standing.times if t is not None), default=float("-inf"))
        # The same time as before a restart, so that an acknowledgement under way still fits.
        when = wanted.since if latest <= wanted.since <= self._shown.time else self._shown.time
        standing.times[transition] = when
        standing.reached[transition] = wanted.state
        standing.messages[transition] = wanted.message
        standing.behind[transition] = bool(behind)
        if wanted.limit_Pa is not None:
            standing.limit_Pa = wanted.limit_Pa
        if wanted.silent:  # a person took it away
            return self.acknowledge(k, transition, self._shown.time)
        standing.acknowledged[transition] = done or not ACK_REQUIRED[transition]
        if (self._first and done) or (untold and wanted.state is EventState.NORMAL):
            return []  # known before a restart, or never told
        return [self._notice(k, "alarm", before, wanted.state, when, wanted.message)]

    def _take_over(self, k: int, standing: Standing) -> None:
        """What came back to normal before a restart and was not acknowledged."""
        one = self._inputs[k]
        for transition in (Transition.TO_OFFNORMAL, Transition.TO_FAULT):
            is_fault = transition is Transition.TO_FAULT
            asking = self._roll.asking(one.kind, one.subject, is_fault=is_fault)
            if is_fault:
                asking = asking or self._of_controller(one)
            returned = [a for a in asking if not a.active]
            if standing.times[transition] is None and returned:
                latest = max(returned, key=lambda a: a.since)
                standing.times[transition] = latest.since
                standing.messages[transition] = _with(latest.message, latest)
                standing.acknowledged[transition] = False
                if not latest.is_fault:
                    high = latest.side > 0
                    state = EventState.HIGH_LIMIT if high else EventState.LOW_LIMIT
                    standing.reached[transition] = state

    def _is_acknowledged(self, k: int, transition: Transition) -> bool:
        """Whether the machine has had an alarm behind a transition, and nothing of it is open."""
        standing, behind = self._standing[k], self._behind(k, transition)
        standing.behind[transition] |= bool(behind)
        return standing.behind[transition] and all(a.acknowledged for a in behind)

    def _behind(self, k: int, transition: Transition) -> list[AlarmState]:
        """Alarms behind a transition: its own, or what explains it, or for a fault what is wider.

        A fault without an alarm of its own is its controller's, or the site's.
        """
        one, is_fault = self._inputs[k], transition is Transition.TO_FAULT
        found = self._roll.asking(one.kind, one.subject, is_fault=is_fault)
        found = found or self._roll.explaining(one.kind, one.subject)
        if is_fault:
            found = found or self._of_controller(one)
            found = found or self._roll.asking("site", self._site, is_fault=True)
        return found

    def _of_controller(self, one: Input) -> list[AlarmState]:
        controller = one.point.partition(".")[0]
        return self._roll.asking("controller", controller, is_fault=True)

    def _silent_before(self) -> set[int]:
        """Transducers of controllers with an alarm: each of them was in fault for it."""
        inputs = enumerate(self._inputs)
        return {k for k, one in inputs if one.reports and self._of_controller(one)}

    def _notice(
        self,
        k: int,
        kind: Literal["alarm", "acknowledgement"],
        before: EventState,
        after: EventState,
        time: float,
        message: str,
    ) -> Notice:
        value, reliability = self._shown.values[k], self._shown.reliabilities[k]
        words = f"{self._inputs[k].name}: {message}"
        limit_Pa = self.of(k).limit_Pa
        return Notice(k, kind, before, after, time, words, value, reliability, limit_Pa)


def _wanted(one: Input, cause: Cause | None, now: float, roll: Roll) -> _Wanted:
    """The state that an input should be in."""
    own = roll.about(one.kind, one.subject)
    limits = [a for a in own if not a.is_fault and a.active and not a.hidden]
    if limits:
        high = [a for a in limits if a.side > 0]
        state = EventState.HIGH_LIMIT if high else EventState.LOW_LIMIT
        latest = max(high or limits, key=lambda a: a.since)
        reasons: frozenset[Hashable] = frozenset((a.id, a.since) for a in limits)
        message = _with(latest.message, latest)
        return _Wanted(state, reasons, message, latest.since, limit_Pa=latest.limit_Pa)
    if cause is not None:
        alarm = roll.of_fault(cause.fault, cause.subject)
        silent = alarm is not None and alarm.shelved
        reasons = frozenset([(cause.reliability, cause.fault, silent)])
        message = _with(cause.message, alarm)
        return _Wanted(EventState.FAULT, reasons, message, cause.since, silent)
    return _Wanted(EventState.NORMAL, frozenset(), "Back to normal", now)


def _with(message: str, alarm: AlarmState | None) -> str:
    return message if alarm is None else f"{message} ({alarm.priority} priority)"
