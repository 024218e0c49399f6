"""The HTTP interface on alarms: how they stand."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from gateway.alarm.states import RefusedError, State
from gateway.alarm.transition import Priority
from gateway.errors import Fault

from .board import AlarmNow, AlarmTally, OutView
from .refusals import RefusalError, documented, unknown
from .sources import FromApp, Sources

router = APIRouter(tags=["alarms"])


@router.get("/alarms", responses=documented(404, 422))
async def alarms(
    sources: FromApp,
    state: Annotated[
        list[State] | None, Query(description="One or more; left out: all but out of service.")
    ] = None,
    priority: Annotated[list[Priority] | None, Query(description="One or more.")] = None,
    loop: Annotated[str | None, Query(description="Only alarms that touch this loop.")] = None,
) -> list[AlarmNow]:
    """Alarms that are not at rest: gravest first, then latest, hidden ones last."""
    site = sources.live.site
    if loop is not None and loop not in site.loops:
        raise unknown("query.loop", loop, site.loops)
    wanted = set(state) if state else set(State) - {State.OUT_OF_SERVICE}
    return [
        one
        for one in sources.board.views()
        if one.state in wanted
        and (not priority or one.priority in priority)
        and (loop is None or loop in one.loops)
    ]


@router.get("/alarms/tally")
async def tally(sources: FromApp) -> AlarmTally:
    """The alarms in short, and what is out of service; part of every `state` of the stream."""
    return sources.board.tally()


@router.get("/alarms/{alarm_id}", responses=documented(404))
async def alarm(sources: FromApp, alarm_id: str) -> AlarmNow:
    """One alarm as it stands, also at rest."""
    return known(sources, alarm_id)


@router.get("/out-of-service")
async def out_of_service(sources: FromApp) -> list[OutView]:
    """Transducers and loops out of service; their alarms: /alarms?state=out of service."""
    return sources.board.out()


def known(sources: Sources, alarm_id: str) -> AlarmNow:
    """One alarm; RefusalError (404) when the site has no such alarm."""
    try:
        return sources.board.view(alarm_id)
    except RefusedError:
        allowed = "fault:subject of this site, as in the list of alarms"
        raise RefusalError(
            404, Fault("alarms", f"{alarm_id!r:.100} is not known", allowed)
        ) from None
