"""What people and protocols do to alarms: who, what, why, until when."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from typing import Literal

from .definitions import Definition
from .ledger import Ledger, Note
from .memory import Memory
from .routing import Want
from .states import TABLE, Event, RefusedError

LONGEST_SHELF_S = 24 * 3600.0
"""Shelving ends by itself within a day; longer is "out of service" (common practice, no source)."""


@dataclass(frozen=True)
class Action:
    """One thing done by `actor`, a person or a protocol. Made by the functions below.

    target: an alarm's id; for REMOVE and RESTORE the id of a transducer or loop, of `kind`.
    group: the alarms that `target` explains are meant too.
    """

    event: Event
    target: str
    actor: str
    reason: str = ""
    until: float | None = None
    kind: Literal["transducer", "loop"] = "transducer"
    group: bool = False


def acknowledge(alarm: str, actor: str, reason: str = "") -> Action:
    """Seen; of one alarm."""
    return Action(Event.ACKNOWLEDGE, alarm, actor, reason)


def acknowledge_group(subject_or_alarm: str, actor: str, reason: str = "") -> Action:
    """Seen: every alarm about a subject, or an alarm and what it explains; "" for all there are."""
    return Action(Event.ACKNOWLEDGE, subject_or_alarm, actor, reason, group=True)


def reset(alarm: str, actor: str, reason: str = "") -> Action:
    """Let go of a latched and acknowledged alarm."""
    return Action(Event.RESET, alarm, actor, reason)


def shelve(alarm: str, actor: str, reason: str, until: float) -> Action:
    """Out of sight until a time, seconds since 1970 UTC, at most LONGEST_SHELF_S away."""
    return Action(Event.SHELVE, alarm, actor, reason, until)


def unshelve(alarm: str, actor: str, reason: str = "") -> Action:
    """Back before the time."""
    return Action(Event.UNSHELVE, alarm, actor, reason)


def out_of_service(
    kind: Literal["transducer", "loop"], subject: str, actor: str, reason: str, until: float
) -> Action:
    """Work on a transducer or a loop: all its alarms, until a time or until it is returned.

    A loop takes along the transducers that serve no other loop.
    """
    return Action(Event.REMOVE, subject, actor, reason, until, kind)


def return_to_service(
    kind: Literal["transducer", "loop"], subject: str, actor: str, reason: str = ""
) -> Action:
    """Work is done and tested."""
    return Action(Event.RESTORE, subject, actor, reason, kind=kind)


def wants(action: Action, time: float, ledger: Ledger) -> list[Want]:
    """The events of an action; RefusedError says what cannot be and what can."""
    _checked(action, time)
    note = Note(actor=action.actor.strip(), reason=action.reason.strip(), until=action.until)
    return [Want(d, action.event, note) for d in _targets(action, ledger)]


def _checked(action: Action, time: float) -> None:
    what = f"{action.target or 'all alarms'}: {action.event}"
    if not action.actor.strip():
        raise RefusedError(f"{what}: by nobody; allowed: the name of a person or a protocol")
    if action.event not in (Event.SHELVE, Event.REMOVE):
        return
    if not action.reason.strip():
        raise RefusedError(f"{what}: no reason; allowed: a few words that others will understand")
    until = action.until
    if until is None or not isfinite(until) or until <= time:
        raise RefusedError(f"{what}: until {until}; allowed: a time after {time:.0f}")
    if action.event is Event.SHELVE and until - time > LONGEST_SHELF_S:
        hours = (until - time) / 3600
        raise RefusedError(
            f"{what}: for {hours:.4g} h; allowed: at most {LONGEST_SHELF_S / 3600:.0f} h; for "
            "longer work take the transducer or the loop out of service"
        )


def _targets(action: Action, ledger: Ledger) -> list[Definition]:
    if action.event in (Event.REMOVE, Event.RESTORE):
        return _of_subject(action, ledger)
    if action.group:
        return _of_group(action, ledger)
    d = _known(action.target, ledger)
    memory = ledger.memory(d.id)
    if action.event is Event.UNSHELVE and memory.shelf is None:
        raise RefusedError(f"{d.id}: {action.event}: it is not shelved (it is {memory.state})")
    if action.event is Event.SHELVE and d.source == "group":
        raise RefusedError(f"{d.id}: {action.event}: a group; allowed: the alarms listed under it")
    return [d]


def _of_subject(action: Action, ledger: Ledger) -> list[Definition]:
    definitions = ledger.definitions
    if not definitions.relations.knows(action.kind, action.target):
        raise RefusedError(
            f"{action.target}: {action.event}: no such {action.kind}; allowed: one of the site file"
        )
    found = [
        d
        for subject in definitions.relations.whole(action.kind, action.target)
        for d in definitions.on(*subject)
    ]
    if action.event is Event.REMOVE:
        return found
    out = [d for d in found if ledger.memory(d.id).service is not None]
    if not out:
        raise RefusedError(f"{action.target}: {action.event}: it is not out of service")
    return out


def _of_group(action: Action, ledger: Ledger) -> list[Definition]:
    """Those of the group that can be acknowledged; what others have seen already is left out."""
    found = [
        d
        for d in map(ledger.definitions.of, sorted(ledger.alarms, key=ledger.place))
        if _belongs(d, ledger.memory(d.id), action.target)
        and not TABLE[ledger.memory(d.id).state, action.event].refused
    ]
    if not found:
        raise RefusedError(
            f"{action.target or 'all alarms'}: {action.event}: nothing there that waits for it"
        )
    return found


def _belongs(d: Definition, memory: Memory, target: str) -> bool:
    return target in ("", d.id, d.subject, memory.cause)


def _known(alarm: str, ledger: Ledger) -> Definition:
    try:
        return ledger.definitions.of(alarm)
    except KeyError:
        raise RefusedError(
            f"{alarm}: not an alarm of this site; allowed: fault:subject, as in the list of alarms"
        ) from None


def consequences(alarm: str, ledger: Ledger) -> Iterator[str]:
    """Everything under an alarm, at any depth, causes first."""
    for below in ledger.under(alarm):
        yield below
        yield from consequences(below, ledger)
