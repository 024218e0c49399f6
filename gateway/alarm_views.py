"""Alarms in the shape in which other programs see them: the HTTP interface and MQTT share it.

Times are ISO 8601 in UTC, as in `views.py`.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, Field

from gateway.alarm.definitions import Definition, Definitions
from gateway.alarm.machine import Standing
from gateway.alarm.memory import Hold, Memory
from gateway.alarm.states import State
from gateway.alarm.transition import Kind, Priority
from gateway.annunciator import Annunciator
from gateway.diagnose.findings import Finding
from gateway.views import iso

Instant = Annotated[
    str,
    Field(
        pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$",
        json_schema_extra={"format": "date-time"},
    ),
]


class HoldView(BaseModel):
    """A person took the alarm away for a time."""

    since: Instant
    until: Instant
    actor: str
    reason: str


class ConsequenceView(BaseModel):
    """One alarm that another one explains, in short."""

    id: str
    fault: str
    kind: Kind
    subject: str
    state: State
    active: bool
    message: str


class AlarmView(BaseModel):
    """One alarm as it stands."""

    id: str = Field(description="fault:subject; the same for ever.")
    fault: str = Field(description="Identifier of the fault, or of the limit.")
    kind: Kind = Field(description="What the subject is.")
    subject: str
    loops: list[str] = Field(description="Every loop that it touches.")
    state: State = Field(description="State of ISA-18.2 / IEC 62682.")
    shown: bool = Field(
        description="It asks for attention: not at rest, and not shelved, suppressed or out of "
        "service."
    )
    active: bool = Field(description="Its condition stands, whether or not it is shown.")
    acknowledged: bool = Field(
        description="False while this very activation waits to be acknowledged by somebody."
    )
    priority: Priority
    message: str
    onset: Instant | None = Field(description="When its condition last began; null at rest.")
    changed: Instant | None = Field(description="When it came into this state; null at rest.")
    cause: str | None = Field(description="Id of the alarm that explains it.")
    consequences: list[ConsequenceView] = Field(
        description="What it explains, at any depth, causes first; the first ones of very many."
    )
    consequence_count: int = Field(description="How many it explains.")
    next_check: str = Field(description="What to look at, and what to measure.")
    latching: bool = Field(description="Stays until somebody resets it.")
    function_check: bool = Field(
        description="Somebody works on it: out of service, NE 107 status function check."
    )
    shelved: HoldView | None
    out_of_service: HoldView | None
    suppressed_by: str = Field(description="The rule that suppresses it by design, or nothing.")
    finding: str | None = Field(description="Id of the finding that is its condition.")


def alarm_view(
    alarms: Annunciator, one: Standing, finding: Finding | None, most: int | None = None
) -> AlarmView:
    """An alarm as other programs see it.

    finding: the open one behind it, for what to check next. most: consequences that are listed at
    most.
    """
    d, m = one.definition, one.memory
    return AlarmView(
        id=d.id,
        fault=d.fault,
        kind=d.kind,
        subject=d.subject,
        loops=touched(alarms.definitions, d),
        state=m.state,
        shown=one.shown and m.state is not State.NORMAL,
        active=m.active,
        acknowledged=not _waits(m),
        priority=d.priority,
        message=m.message or d.message,
        onset=iso(m.onset) if m.onset else None,
        changed=iso(m.changed) if m.changed else None,
        cause=m.cause or None,
        consequences=[_consequence(alarms.of(name)) for name in one.consequences[:most]],
        consequence_count=len(one.consequences),
        next_check=next_check(d, finding),
        latching=d.latching,
        function_check=m.service is not None,
        shelved=_hold(m.shelf),
        out_of_service=_hold(m.service),
        suppressed_by=m.rule,
        finding=m.finding or None,
    )


def touched(definitions: Definitions, d: Definition) -> list[str]:
    """Loops that an alarm touches."""
    return list(definitions.relations.touched_loops(d.kind, d.subject))


def next_check(d: Definition, finding: Finding | None) -> str:
    """With the numbers of the finding while it is open, else in general."""
    told = finding.next_check if finding is not None else ""
    return told or d.next_check


def _waits(m: Memory) -> bool:
    """Whether there is something to acknowledge that nobody has; also behind what hides it."""
    returned = m.state in (State.RETURNED, State.LATCHED_UNACKNOWLEDGED)
    return (m.active or returned) and not m.acknowledged


def _consequence(one: Standing) -> ConsequenceView:
    d, m = one.definition, one.memory
    return ConsequenceView(
        id=d.id,
        fault=d.fault,
        kind=d.kind,
        subject=d.subject,
        state=m.state,
        active=m.active,
        message=m.message or d.message,
    )


def _hold(hold: Hold | None) -> HoldView | None:
    if hold is None:
        return None
    return HoldView(
        since=iso(hold.since), until=iso(hold.until), actor=hold.actor, reason=hold.reason
    )
