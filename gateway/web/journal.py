"""The HTTP interface on what happened to alarms: the journal, and how good the alarms are."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field

from gateway.alarm.performance import DAY_S, Report, report
from gateway.errors import Fault
from gateway.record.journal import Entry, Search
from gateway.views import iso

from .past import Past, ask
from .refusals import RefusalError, documented
from .sources import FromApp
from .trends import TIMES, span

KINDS = "alarm, finding, sign-in, people, loop-check or relearn"
REPORT_DAYS = 30.0
MOST_DAYS = 366.0

router = APIRouter(tags=["alarms"])
From = Annotated[str | None, Query(alias="from", description=TIMES)]
To = Annotated[str | None, Query(alias="to", description=f"{TIMES}; not included")]


class Asked(BaseModel):
    """What to look for in the journal; what is left out may be anything."""

    model_config = ConfigDict(extra="forbid")

    start: str | None = Field(default=None, alias="from", description=TIMES)
    end: str | None = Field(default=None, alias="to", description=f"{TIMES}; not included")
    kind: str = Field(default="", max_length=40, description=f"{KINDS}; another finds nothing.")
    subject: str = Field(default="", max_length=80, description="Id of what it is about.")
    alarm: str = Field(default="", max_length=120, description="Id of one alarm.")
    actor: str = Field(default="", max_length=120, description="Person or protocol, whole.")
    text: str = Field(
        default="", max_length=120, description="In what people read, whatever the case."
    )
    before: int | None = Field(
        default=None, ge=1, le=2**62, description="Number in `before` of the page before."
    )
    limit: int = Field(default=100, ge=1, le=500, description="Most entries of a page.")


class EntryView(BaseModel):
    """One line of the journal; what does not belong to its kind is empty."""

    seq: int = Field(description="Rises by one from entry to entry.")
    time: str
    kind: str = Field(description=f"{KINDS}.")
    event: str = Field(description="What happened.")
    subject: str
    fault: str
    ref: str = Field(description="Id of the alarm or of the finding.")
    message: str
    actor: str = Field(description="Person, protocol, or the gateway itself.")
    reason: str
    before: str = Field(description="State of the alarm before.")
    after: str = Field(description="State of the alarm after; the same: it happened out of sight.")
    priority: str
    cause: str = Field(description="Id of the alarm that explains it.")
    until: str | None = Field(description="End of shelving or of being out of service.")


class JournalPage(BaseModel):
    """Entries of the journal, newest first."""

    entries: list[EntryView]
    before: int | None = Field(
        description="To go on, ask again with `before` at this number; null at the end. There may "
        "be more even when `entries` is short: a search stops after half a second."
    )


class FigureView(BaseModel):
    """One figure of the report."""

    name: str
    value: float
    unit: str
    target: str = Field(description="What the standards call likely acceptable.")
    judgement: str = Field(description="acceptable, manageable, beyond target, or too few alarms.")
    alarms: list[str] = Field(description="Ids of the alarms behind it.")


class PerformanceView(BaseModel):
    """How good the alarms themselves are."""

    start: str
    end: str
    days: float
    enough: bool = Field(description="Whether it covers the 30 days that the targets are made for.")
    total: int = Field(description="Alarms that began to ask for attention.")
    figures: list[FigureView]


@router.get("/alarms/performance", responses=documented(422, 503))
async def performance(sources: FromApp, start: From = None, end: To = None) -> PerformanceView:
    """The alarms against the published targets of ISA-18.2 / IEC 62682, from the journal.

    The last 30 days unless `from` and `to` say otherwise; at most a year, and never before the
    history begins.
    """
    first, last = span(start, end)
    last = sources.clock() if last is None else last
    first = last - REPORT_DAYS * DAY_S if first is None else first
    days = (last - first) / DAY_S
    if not 0 < days <= MOST_DAYS:
        allowed = f"before `to`, by at most {MOST_DAYS:.0f} days"
        raise RefusalError(422, Fault("query.from", f"{days:.4g} days before `to`", allowed))
    active = [s.definition.id for s in sources.live.alarms.standing if s.shown]
    made = await ask(lambda: _report(sources.past, first, last, active))
    return PerformanceView(
        start=iso(made.start), end=iso(made.end), days=round((made.end - made.start) / DAY_S, 6),
        enough=made.enough, total=made.total,
        figures=[
            FigureView(name=f.name, value=f.value, unit=f.unit, target=f.target,
                       judgement=f.word, alarms=list(f.detail))
            for f in made.figures
        ],
    )  # fmt: skip


def _report(past: Past, first: float, last: float, active: list[str]) -> Report:
    """In a thread: what nobody watched is no quiet time."""
    begun = past.begun()
    if begun is not None:
        # The journal's times are whole milliseconds: what is in it began before this.
        first = max(first, min(begun - 0.001, last - 1.0))
    return report(past.transitions(first, last, active), first, last)


@router.get("/journal", responses=documented(422, 503))
async def journal(sources: FromApp, asked: Annotated[Asked, Query()]) -> JournalPage:
    """What happened, newest first: alarms, findings, and what people did and why."""
    first, last = span(asked.start, asked.end)
    wanted = Search(first, last, asked.kind, asked.subject, actor=asked.actor, ref=asked.alarm,
                    before=asked.before)  # fmt: skip
    page = await ask(lambda: sources.past.journal(wanted, asked.text, asked.limit))
    return JournalPage(entries=[entry_view(e) for e in page.entries], before=page.before)


def entry_view(entry: Entry) -> EntryView:
    """An entry as other programs see it."""
    body = entry.body
    until = body.get("until")
    return EntryView(
        seq=entry.seq, time=iso(entry.time_ms / 1000), kind=entry.kind, event=entry.phase,
        subject=entry.subject, fault=entry.fault, ref=entry.ref,
        message=str(body.get("message") or body.get("title") or ""),
        actor=entry.actor, reason=entry.reason,
        before=str(body.get("before", "")), after=str(body.get("after", "")),
        priority=str(body.get("priority", "")), cause=str(body.get("cause", "")),
        until=iso(until) if isinstance(until, int | float) else None,
    )  # fmt: skip
