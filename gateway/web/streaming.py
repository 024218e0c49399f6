"""The live streams of the HTTP interface: each carries what one kind of page shows."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import StreamingResponse
from pydantic import BaseModel

from gateway.errors import Fault

from .overview import Asked
from .refusals import RefusalError, documented, unknown
from .reports import Wanted
from .sources import FromApp, Sources
from .streams import MOST, block, event, events

router = APIRouter(prefix="/stream", tags=["live"])


def described(view: str) -> dict[str, Any]:
    """For a route: what its events carry."""
    text = (
        f"Server-sent events. Event `state`: {view} in JSON, at once, then at most every 0.5 s "
        "when a row came, and at least every 5 s."
    )
    content = {"text/event-stream": {"schema": {"type": "string"}}}
    return {
        "response_class": StreamingResponse,
        "responses": {200: {"description": text, "content": content}, **documented(404, 422, 503)},
    }


@router.get("", **described("a StateView"))
async def everything(request: Request, sources: FromApp) -> StreamingResponse:
    """Everything that changes, as it changes: much on a large site."""
    return streaming(request, sources, "everything", sources.now.state)


@router.get("/overview", **described("an OverviewView"))
async def overview(
    request: Request, sources: FromApp, asked: Annotated[Asked, Query()]
) -> StreamingResponse:
    """One page of the overview, as it changes."""
    key = f"overview {asked.model_dump_json()}"
    return streaming(request, sources, key, lambda: sources.overview.view(asked))


@router.get("/findings", **described("a FindingsView"))
async def findings(
    request: Request, sources: FromApp, wanted: Annotated[Wanted, Query()]
) -> StreamingResponse:
    """One page of open findings, as they change."""
    key = f"findings {wanted.model_dump_json()}"
    return streaming(request, sources, key, lambda: sources.reports.view(wanted))


@router.get("/frame", **described("a Frame"))
async def frame(request: Request, sources: FromApp) -> StreamingResponse:
    """How old the latest row is and the alarms in short: for pages that ask for the rest."""
    return streaming(request, sources, "frame", sources.moments.frame)


@router.get("/site", **described("a SiteMoment"))
async def site(request: Request, sources: FromApp) -> StreamingResponse:
    """Controllers and receivers, as they change."""
    return streaming(request, sources, "site", sources.moments.site)


@router.get("/loops/{loop_id}", **described("a LoopMoment"))
async def loop(request: Request, sources: FromApp, loop_id: str) -> StreamingResponse:
    """One loop, as it changes."""
    if loop_id not in sources.live.site.loops:
        raise unknown("loops", loop_id, sources.live.site.loops)
    return streaming(request, sources, f"loop {loop_id}", lambda: sources.moments.loop(loop_id))


@router.get("/transducers/{transducer_id}", **described("a TransducerMoment"))
async def transducer(request: Request, sources: FromApp, transducer_id: str) -> StreamingResponse:
    """One transducer, as it changes."""
    known = sources.live.site.transducers
    if transducer_id not in known:
        raise unknown("transducers", transducer_id, known)
    return streaming(
        request,
        sources,
        f"transducer {transducer_id}",
        lambda: sources.moments.transducer(transducer_id),
    )


def streaming(
    request: Request, sources: Sources, key: str, make: Callable[[], BaseModel]
) -> StreamingResponse:
    """Events of what `make` gives in a thread; made once a row for all streams of one `key`."""
    if sources.streams.open >= MOST:
        raise RefusalError(503, Fault("stream", f"{MOST} readers already", "a later try"))
    door = sources.door
    session = None if door.viewing else door.session(request)
    packed = "gzip" in request.headers.get("accept-encoding", "")
    headers = {"X-Accel-Buffering": "no", "Vary": "Accept-Encoding"}
    return StreamingResponse(
        events(
            sources.live,
            lambda: sources.shared.get(
                f"{key} packed" if packed else key, make, _packed if packed else event
            ),
            sources.streams,
            lambda: session is None or door.sessions.lasts(session),
            packed=packed,
        ),
        media_type="text/event-stream",
        headers=headers | ({"Content-Encoding": "gzip"} if packed else {}),
    )


def _packed(state: bytes) -> bytes:
    return block(event(state))
