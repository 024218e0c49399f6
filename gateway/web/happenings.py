"""What happened along a time axis: findings and alarms as spells, and what people did."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from gateway.alarm.transition import Transition
from gateway.diagnose.findings import Status
from gateway.errors import Fault
from gateway.plant.site import Site
from gateway.record.spells import Spell, Subject, of_finding
from gateway.views import FindingView, finding_view

from .past import ask
from .refusals import RefusalError, documented, unknown
from .sources import FromApp, Sources
from .trends import TIMES, period

router = APIRouter(tags=["history"])


class SpellView(BaseModel):
    """A finding, or an alarm that no finding stands for (a limit). Seconds since 1970."""

    kind: Literal["finding", "alarm"]
    id: str
    fault: str
    title: str
    subject_kind: str
    subject: str
    status: str = Field(description="NAMUR NE 107; of an alarm: out of specification.")
    start: float
    end: float | None = Field(description="Null while it goes on.")
    finding: FindingView | None = Field(description="As it was raised.")


class DeedView(BaseModel):
    """What a person did to an alarm."""

    time: float = Field(description="Seconds since 1970.")
    event: str
    alarm: str
    subject: str
    message: str
    actor: str
    reason: str


class HappeningsView(BaseModel):
    """What happened in a period, oldest first."""

    from_s: float
    to_s: float
    whole: bool = Field(description="False: too much happened; the newest is told.")
    spells: list[SpellView]
    deeds: list[DeedView]


@router.get("/happenings", responses=documented(404, 422, 503))
async def happenings(
    sources: FromApp,
    loop: Annotated[
        str | None, Query(max_length=80, description="It, its transducers and controllers.")
    ] = None,
    transducer: Annotated[
        str | None, Query(max_length=80, description="It and its controller.")
    ] = None,
    start: Annotated[
        str | None, Query(alias="from", description=f"{TIMES}. 10 minutes before `to`.")
    ] = None,
    end: Annotated[str | None, Query(alias="to", description=f"{TIMES}. Now.")] = None,
) -> HappeningsView:
    """Findings, alarms and deeds of a loop or of a transducer.

    Whatever began before `to` and was not over before `from`.
    """  # fmt: skip
    subjects = _subjects(sources.live.site, loop, transducer)
    first, last = period(sources, start, end)
    past = await ask(lambda: sources.past.lasted(subjects, first, last))
    # An alarm comes again and again under one name: its beginning tells one time from another.
    spells = {(one.id, round(one.start * 1000)): one for one in past.spells}
    for one in _going_on(sources, subjects):
        if one.start < last:
            spells[one.id, round(one.start * 1000)] = one
    return HappeningsView(
        from_s=first,
        to_s=last,
        whole=past.whole,
        spells=[_spell(one) for one in sorted(spells.values(), key=lambda one: one.start)],
        deeds=[_deed(one) for one in past.deeds],
    )


def _subjects(site: Site, loop: str | None, transducer: str | None) -> frozenset[Subject]:
    if (loop is None) == (transducer is None):
        fault = Fault("query", "neither or both", "one of loop and transducer")
        raise RefusalError(422, fault)
    if loop is not None:
        if loop not in site.loops:
            raise unknown("query.loop", loop, site.loops)
        noun = site.loops[loop]
        refs = [site.transducers[key].counts for key in noun.transducers]
        refs += [ref for ref in (noun.feedback, noun.setpoint, noun.output, noun.running) if ref]
        found = {("loop", loop)} | {("transducer", key) for key in noun.transducers}
    else:
        assert transducer is not None  # noqa: S101 - one of the two is given
        if transducer not in site.transducers:
            raise unknown("query.transducer", transducer, site.transducers)
        refs = [site.transducers[transducer].counts]
        found = {("transducer", transducer)}
    return frozenset(found | {("controller", ref.partition(".")[0]) for ref in refs})


def _going_on(sources: Sources, subjects: frozenset[Subject]) -> list[Spell]:
    """What stands now, also what began long ago."""
    latest = sources.live.latest
    if latest is None:
        return []
    found: list[Spell] = [of_finding(f) for f in latest.findings if (f.kind, f.subject) in subjects]
    for one in latest.alarms:
        d, m = one.definition, one.memory
        if (d.kind, d.subject) in subjects and m.active and not m.finding:
            message = m.message or d.message
            found.append(Spell("alarm", d.id, d.fault, (d.kind, d.subject), message, m.onset, None))
    return found


def _spell(one: Spell) -> SpellView:
    status = one.finding.status if one.finding else Status.OUT_OF_SPECIFICATION
    return SpellView(
        kind=one.kind, id=one.id, fault=one.fault, title=one.title,
        subject_kind=one.subject[0], subject=one.subject[1], status=status,
        start=one.start, end=one.end,
        finding=finding_view(one.finding) if one.finding else None,
    )  # fmt: skip


def _deed(one: Transition) -> DeedView:
    return DeedView(
        time=one.time, event=one.event, alarm=one.alarm, subject=one.subject,
        message=one.message, actor=one.actor, reason=one.reason,
    )  # fmt: skip
