"""The HTTP interface, /api/v1: what is now, and what was found."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from gateway.record.journal import Search
from gateway.views import (
    FindingView,
    LinkView,
    SinkView,
    TransducerView,
    finding_view,
    link_views,
    sink_views,
    transducer_views,
)

from . import trends
from .details import LoopDetail, TransducerDetail
from .now import LoopNow, StateView
from .overview import Asked, OverviewView
from .past import ask
from .refusals import documented, unknown
from .sources import FromApp
from .trends import TIMES, span

router = APIRouter()
router.include_router(trends.router)


@router.get("/loops", tags=["live"], responses=documented(503))
async def loops(sources: FromApp) -> list[LoopNow]:
    """Every loop at the latest row, in the order of the site file."""
    return sources.now.loops()


@router.get("/loops/{loop_id}", tags=["live"], responses=documented(404, 503))
async def loop(sources: FromApp, loop_id: str) -> LoopDetail:
    """One loop at the latest row, what was learnt of it, and the faults that it hides."""
    site = sources.live.site
    if loop_id not in site.loops:
        raise unknown("loops", loop_id, site.loops)
    return sources.details.loop(loop_id)


@router.get("/transducers", tags=["live"], responses=documented(503))
async def transducers(sources: FromApp) -> list[TransducerView]:
    """Every transducer at the latest row, in the order of the site file."""
    return transducer_views(sources.live.site, sources.now.snapshot())


@router.get("/transducers/{transducer_id}", tags=["live"], responses=documented(404, 503))
async def transducer(sources: FromApp, transducer_id: str) -> TransducerDetail:
    """One transducer at the latest row, its uncertainty, and the faults that it hides."""
    site = sources.live.site
    if transducer_id not in site.transducers:
        raise unknown("transducers", transducer_id, site.transducers)
    return sources.details.transducer(transducer_id)


@router.get("/findings", tags=["findings"], responses=documented(422, 503))
async def findings(
    sources: FromApp,
    start: Annotated[str | None, Query(alias="from", description=TIMES)] = None,
    end: Annotated[str | None, Query(alias="to", description=f"{TIMES}; not included")] = None,
    limit: Annotated[int, Query(ge=1, le=1000, description="Most entries of the journal.")] = 200,
    subject: Annotated[str, Query(max_length=80, description="Only those about it.")] = "",
) -> list[FindingView]:
    """Open findings, oldest first; with `from` or `to` the journal of that span, newest first.

    The journal holds an entry for each finding raised and another when it cleared.
    """
    if start is None and end is None:
        there = sources.now.snapshot().findings
        return [finding_view(f) for f in there if subject in {"", f.subject}]
    first, last = span(start, end)
    wanted = Search(first, last, subject=subject)
    found = await ask(lambda: sources.past.findings(wanted, limit))
    return [finding_view(f) for f in found]


@router.get("/links", tags=["live"])
async def links(sources: FromApp) -> list[LinkView]:
    """How each controller answers, in the order of the site file."""
    latest = sources.live.latest
    return link_views(sources.live.site, latest.links if latest else {})


@router.get("/sinks", tags=["live"])
async def sinks(sources: FromApp) -> list[SinkView]:
    """How each receiver of data is doing."""
    return sink_views(sources.live.sinks)


@router.get("/overview", tags=["live"], responses=documented(422))
async def overview(sources: FromApp, asked: Annotated[Asked, Query()]) -> OverviewView:
    """Loops in short, a page at a time, those that need a person first."""
    return sources.overview.view(asked)


@router.get("/state", tags=["live"])
async def state(sources: FromApp) -> StateView:
    """Everything that changes, once: what each `state` event of the stream carries."""
    return sources.now.state()
