"""The application: routes, pages and files over one live state."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Coroutine
from hashlib import sha256
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.responses import JSONResponse
from fastapi.staticfiles import StaticFiles
from starlette.middleware.gzip import DEFAULT_EXCLUDED_CONTENT_TYPES, GZipMiddleware

from gateway.checking.checks import Checks
from gateway.live import Live
from gateway.plant.site import Site
from gateway.process import program_version

from . import (
    acting,
    alarms,
    api,
    calibrations,
    condition,
    everybody,
    exporting,
    happenings,
    health,
    joined,
    journal,
    loopchecks,
    metrics,
    pages,
    permits,
    records,
    refusals,
    signing,
    streaming,
    system,
)
from .board import Board
from .bodies import ShortBodies
from .details import Details
from .door import Door
from .frame import Framing
from .headers import SecurityHeaders
from .heads import Heads
from .moments import Moments
from .now import Now
from .overview import Overview
from .past import Past
from .reports import Reports
from .shared import Shared
from .sources import Sources
from .streams import Streams
from .viewing import SignedInOnly

HERE = Path(__file__).parent
STATIC = HERE / "static"
PREFIX = "/api/v1"
ABOUT = """\
Live values, findings, alarms and history of pressure loops. Nothing here changes a controller.

People sign in on the page `/sign-in`; what they do then stands in the journal under their name, and
needs a role: operator, technician or administrator. Their browser holds a cookie, so each deed must
also carry the header `X-CSRF-Token` (`csrf` of `/api/v1/session`) and come from a page of this very
gateway. Programs on the gateway's machine act with the token from its state folder, as a bearer
header, and give the name of a person; a browser adds such a header for no foreign page. Where the
site has closed viewing (`LOOPWITNESS_HTTP_VIEWING`), looking needs one of the two as well.

Pressures are in the unit of their loop or transducer; times are ISO 8601 in UTC, and seconds since
1970 in the lists of a history. What was not read is null. A request that cannot be answered gets
`faults`: the place, the value, and what is allowed.
"""
TAGS = [
    {"name": "live", "description": "What the latest row says."},
    {"name": "findings", "description": "Diagnosed faults, open and past."},
    {"name": "alarms", "description": "How alarms stand, their journal, and how good they are."},
    {"name": "actions", "description": "What people do to alarms, in their own name."},
    {"name": "session", "description": "Who is signed in on this browser."},
    {"name": "loop checks", "description": "Guided checks, their records, and when they are due."},
    {"name": "history", "description": "Trends from the store."},
    {"name": "operation", "description": "For supervisors and scrapers."},
]


def make_app(
    live: Live,
    past: Past,
    *,
    door: Door | None = None,
    streams: Streams | None = None,
    clock: Callable[[], float] = time.time,
    checks: Checks | None = None,
    relearn: Callable[[str, str, str], object] | None = None,
    hsts: bool = False,
) -> FastAPI:
    """The application over a live state and a past. `clock`: seconds since 1970.

    door: who may look and act; left out, everybody looks and nobody acts. checks: loop checks; none
    when left out. relearn: see `Sources`. hsts: browsers are told to come over TLS alone.
    `streams.end()` ends every open event stream, for a shutdown.
    """
    app = FastAPI(
        title="Loopwitness",
        version=program_version(),
        description=ABOUT,
        openapi_tags=TAGS,
        openapi_url=None,  # made in a thread instead: it takes longer than a poll may wait
        docs_url=None,  # the library's own page loads scripts from elsewhere
        redoc_url=None,
    )
    edition, door, board = revision(live.site), door or Door(), Board(live, clock)
    framing = Framing(live, clock, edition, board)
    now = Now(live, framing)
    app.state.sources = Sources(
        live=live, framing=framing, now=now, overview=Overview(live, framing, now),
        moments=Moments(live, framing, now), reports=Reports(live, framing),
        details=Details(live, now, clock()), board=board, door=door, past=past,
        streams=streams or Streams(), shared=Shared(live, framing.age), clock=clock,
        started=clock(), checks=checks, relearn=relearn,
    )  # fmt: skip
    app.add_middleware(SignedInOnly, door=door)
    app.add_middleware(ShortBodies)
    # An export is not packed: a year of it would hold up the rows of this second.
    plain = (*DEFAULT_EXCLUDED_CONTENT_TYPES, "text/csv", exporting.PARQUET)
    app.add_middleware(
        GZipMiddleware, minimum_size=1000, compresslevel=5, exclude_content_types=plain
    )
    refusals.register(app)
    for part in (
        api, streaming, happenings, condition, journal, alarms, acting, exporting, records,
        loopchecks, system, signing, everybody, calibrations,
    ):  # fmt: skip
        app.include_router(part.router, prefix=PREFIX)
    app.include_router(loopchecks.deeds, prefix=PREFIX)
    for part in (health, metrics):
        app.include_router(part.router)
    app.add_api_route(
        f"{PREFIX}/openapi.json", _description(app), include_in_schema=False, methods=["GET"]
    )
    files = joined.Files(STATIC)
    app.include_router(joined.routes(files))
    app.include_router(pages.routes(live.site, edition, files, door, checks=checks is not None))
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    permits.all_listed(app.routes)
    # Around everything, also around what answers when something here fails.
    inside = Heads(app.build_middleware_stack(), PREFIX)
    app.middleware_stack = SecurityHeaders(inside, hsts=hsts)
    return app


def make_ready(app: FastAPI) -> None:
    """Let every route be built now, not with the first request.

    That takes longer than a poll may wait: a third of a second on a busy machine.
    """
    nowhere = {"type": "http", "method": "GET", "path": "/-", "root_path": "", "headers": []}
    for route in app.routes:
        route.matches(nowhere)


def _description(app: FastAPI) -> Callable[[], Coroutine[Any, Any, JSONResponse]]:
    """A route that gives the description of the interface, made when it is first asked for."""

    async def description() -> JSONResponse:
        return JSONResponse(await asyncio.to_thread(app.openapi))

    return description


def revision(site: Site) -> str:
    """A short name for this site file with this program: a page of another one reloads itself."""
    digest = sha256(program_version().encode() + site.model_dump_json().encode())
    for file in sorted(HERE.rglob("*")):
        if file.suffix in {".js", ".css", ".html"}:
            digest.update(file.read_bytes())
    return digest.hexdigest()[:12]
