"""What the MQTT messages say: JSON made of the same views that the HTTP interface shows."""

from __future__ import annotations

import json
from collections.abc import Iterable

from pydantic import BaseModel

from gateway.alarm.machine import Standing
from gateway.alarm.states import HIDDEN, State
from gateway.alarm.transition import Transition
from gateway.alarm_views import alarm_view
from gateway.annunciator import Annunciator
from gateway.diagnose.findings import Finding
from gateway.live import LinkState, Snapshot
from gateway.plant.site import Site
from gateway.record.outbox import Waiting
from gateway.views import finding_view, iso, link_view, loop_state, transducer_view

from .messages import (
    AlarmEvent,
    AlarmMessage,
    ControllerMessage,
    FindingEvent,
    FindingInShort,
    LoopMessage,
    StatusMessage,
    TransducerMessage,
)

MOST_CONSEQUENCES = 100
"""Listed under one alarm; a failing site has thousands, and the list is sent at every change."""


def status(state: str, reason: str = "", time: float | None = None) -> str:
    """Birth ("online") and last will ("offline"); the will knows no time."""
    told = None if time is None else iso(time)
    return text(StatusMessage.model_validate({"state": state, "reason": reason, "time": told}))


def loop(site: Site, snapshot: Snapshot, loop_id: str) -> str:
    """One loop, its transducers by id, its findings in short."""
    state, ids = loop_state(site, snapshot, loop_id), list(site.loops[loop_id].transducers)
    open_here = snapshot.of_loop.get(loop_id, ())
    return text(LoopMessage(**dict(state), transducers=ids, findings=_short(open_here)))


def transducer(site: Site, snapshot: Snapshot, transducer_id: str) -> str:
    """One transducer, its findings in short."""
    shown = transducer_view(site, snapshot, transducer_id).model_dump()
    open_here = snapshot.of_transducer.get(transducer_id, ())
    return text(TransducerMessage(**shown, findings=_short(open_here)))


def controller(site: Site, link: LinkState) -> str:
    """How one controller answers."""
    return text(ControllerMessage(**link_view(site, link).model_dump()))


def alarm(alarms: Annunciator, snapshot: Snapshot, one: Standing) -> str:
    """One alarm as it stands, or at rest."""
    mine = snapshot.by_id.get(one.memory.finding)
    view = alarm_view(alarms, one, mine, most=MOST_CONSEQUENCES)
    site_id = alarms.definitions.site.site.id
    return text(AlarmMessage(**view.model_dump(), site=site_id, time=iso(snapshot.time)))


def finding_event(site_id: str, waiting: Waiting, finding: Finding) -> str:
    """A finding raised or cleared, of this entry."""
    shown = finding_view(finding).model_dump(exclude={"time"})
    entry = waiting.entry
    return text(
        FindingEvent(
            **shown,
            time=iso(entry.time_ms / 1000),
            journal=waiting.journal,
            sequence=entry.seq,
            previous=waiting.previous,
            site=site_id,
        )
    )


def alarm_event(site_id: str, waiting: Waiting, t: Transition) -> str:
    """A transition of an alarm, of this entry: nothing else is in it, so it is always the same."""
    return text(
        AlarmEvent(
            journal=waiting.journal,
            sequence=waiting.entry.seq,
            previous=waiting.previous,
            site=site_id,
            time=iso(t.time),
            alarm=t.alarm,
            fault=t.fault,
            kind=t.kind,
            subject=t.subject,
            event=t.event,
            before=t.before,
            after=t.after,
            annunciates=t.annunciates,
            shown=t.after not in HIDDEN and t.after is not State.NORMAL,
            function_check=t.after is State.OUT_OF_SERVICE,
            priority=t.priority,
            message=t.message,
            actor=t.actor,
            reason=t.reason,
            cause=t.cause or None,
            until=None if t.until is None else iso(t.until),
            finding=t.finding or None,
        )
    )


def text(message: BaseModel) -> str:
    """As it is sent."""
    content = message.model_dump(mode="json")
    return json.dumps(content, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _short(findings: Iterable[Finding]) -> list[FindingInShort]:
    return [
        FindingInShort(
            id=finding.id,
            fault=finding.fault,
            subject=finding.subject,
            status=finding.status,
            since=iso(finding.since),
            title=finding.title,
        )
        for finding in findings
    ]
