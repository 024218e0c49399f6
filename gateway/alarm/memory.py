"""What is known of an alarm between rows, and how a transition changes it.

The machine and the way back after a crash both go through `applied` and `noted`, so what the
journal says is what the machine knew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from .states import Event, State
from .transition import Transition

WINDOW_S = 600.0
"""Span over which the load is counted: 10 minutes (ISA-18.2 / EEMUA 191, secondary texts)."""


@dataclass(frozen=True)
class Hold:
    """A person took the alarm away for a time."""

    since: float
    until: float
    actor: str
    reason: str


@dataclass(frozen=True)
class Memory:
    """One alarm. Without anything: normal, in service, at rest."""

    state: State = State.NORMAL
    changed: float = 0.0
    """When the state last became another."""
    active: bool = False
    """Whether the condition stands, after its delays; also known while the alarm is hidden."""
    onset: float = 0.0
    """When the condition last became active."""
    acknowledged: bool = False
    """Whether this very activation has been acknowledged."""
    again: int = 0
    """How often the condition came back since the alarm was last at rest."""
    tripped: bool = False
    """Active since the last reset: what a latching alarm remembers."""
    shelf: Hold | None = None
    service: Hold | None = None
    """Out of service."""
    rule: str = ""
    """The rule that suppresses it by design."""
    cause: str = ""
    """Id of the alarm that explains it."""
    message: str = ""
    finding: str = ""


BLANK = Memory()


def deserved(memory: Memory, *, latching: bool) -> State:
    """The state that an alarm comes back to when nothing, or less, hides it."""
    if memory.service is not None:
        return State.OUT_OF_SERVICE
    if memory.shelf is not None:
        return State.SHELVED
    if memory.rule or memory.cause:
        return State.SUPPRESSED
    if memory.active:
        return State.ACKNOWLEDGED if memory.acknowledged else State.UNACKNOWLEDGED
    if latching and memory.tripped:
        latched = State.LATCHED_ACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED
        return latched[0] if memory.acknowledged else latched[1]
    return State.NORMAL


def applied(memory: Memory, t: Transition) -> Memory:
    """The alarm after a transition."""
    # An alarm at rest leaves nothing behind: what is stored stays as small as what is wrong.
    if t.after is State.NORMAL:
        return BLANK
    changed = t.time if t.before is not t.after else memory.changed
    # A dict is three times as quick here as `replace`, and in a storm that is felt.
    words = {**vars(memory), **_MARKS[t.event](memory, t), "state": t.after, "changed": changed}
    return Memory(**words)


def marked(memory: Memory, t: Transition) -> Memory:
    """The alarm with what an event says about it, before its state is looked at."""
    return replace(memory, **_MARKS[t.event](memory, t))


def _hold(t: Transition) -> Hold:
    return Hold(t.time, t.time if t.until is None else t.until, t.actor, t.reason)


Words = dict[str, Any]


def _began(memory: Memory, t: Transition) -> Words:
    return {
        "active": True, "onset": t.time, "acknowledged": False, "tripped": True,
        "message": t.message, "finding": t.finding, "again": memory.again + memory.tripped,
    }  # fmt: skip


def _hidden(_: Memory, t: Transition) -> Words:
    return {"cause": t.cause} if t.cause else {"rule": t.reason}


_MARKS: dict[Event, Callable[[Memory, Transition], Words]] = {
    Event.ALARM: _began,
    Event.RETURN: lambda _, __: {"active": False},
    Event.ACKNOWLEDGE: lambda _, __: {"acknowledged": True},
    Event.RESET: lambda _, __: {"tripped": False, "again": 0},
    Event.SHELVE: lambda _, t: {"shelf": _hold(t)},
    Event.UNSHELVE: lambda _, __: {"shelf": None},
    Event.SUPPRESS: _hidden,
    Event.RELEASE: lambda _, t: {"cause": ""} if t.cause else {"rule": ""},
    Event.REMOVE: lambda _, t: {"service": _hold(t)},
    Event.RESTORE: lambda _, __: {"service": None},
}
"""What each event writes down."""


Recent = tuple[tuple[float, str], ...]
"""(time, alarm id), oldest first."""


def noted(recent: Recent, t: Transition) -> Recent:
    """Annunciations of the 10 minutes before the latest one, after a transition."""
    if not t.annunciates:
        return recent
    return (*(one for one in recent if one[0] + WINDOW_S > t.time), (t.time, t.alarm))


@dataclass(frozen=True)
class Stored:
    """Everything that comes back after a crash.

    alarms: those that are not at rest. recent: as `noted`. last: time and order of the latest
    transition.
    """

    alarms: Mapping[str, Memory] = field(default_factory=dict)
    recent: Recent = ()
    last: tuple[float, int] = (float("-inf"), -1)


def restore(transitions: Iterable[Transition], earlier: Stored | None = None) -> Stored:
    """What stood when the last of these transitions was journalled; oldest first.

    earlier: what stood before the first of them, when they are not all there ever were. Delays
    that were running are not in it: they start again, since nobody saw what happened meanwhile.
    """
    earlier = earlier or Stored()
    alarms, recent, last = dict(earlier.alarms), earlier.recent, earlier.last
    for t in transitions:
        after = applied(alarms.get(t.alarm, BLANK), t)
        if after is BLANK:
            alarms.pop(t.alarm, None)
        else:
            alarms[t.alarm] = after
        recent, last = noted(recent, t), (t.time, t.order)
    return Stored(alarms, recent, last)
