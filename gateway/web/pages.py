"""Pages: what stands still about a site goes into the HTML, what changes comes by the stream."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any, Protocol

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from fastapi.templating import Jinja2Templates

from gateway.export.parquettable import has_parquet
from gateway.loopcheck.cautions import BEFORE
from gateway.people.roles import DEEDS
from gateway.plant.site import Site
from gateway.plant.units import PASCALS, PRESSURE_UNITS

from .door import Door, address_of, encrypted
from .exporting import left_out
from .frame import interval_of
from .joined import PLOTS, Files
from .refusals import unknown
from .signing import session_view
from .sources import FromApp
from .still import LABELS, peers_of, still_loop, still_transducer
from .tls import beyond_this_machine
from .viewing import SIGN_IN, way_back

HERE = Path(__file__).parent
STATIC = HERE / "static"
NAV = (
    ("/", "Loops"),
    ("/findings", "Findings"),
    ("/alarms", "Alarms"),
    ("/checks", "Checks"),
    ("/system", "System"),
)
"""Address and name of every page in the navigation."""
EVIDENCE_UNITS = (*PRESSURE_UNITS, "mA", "V", "s", "Hz", "rpm", "K", "N", "counts")
"""Units in which a name in a finding's evidence may end."""


class Maker(Protocol):
    """Makes a page of a template; here: its address in the navigation, "" for none."""

    def __call__(self, request: Request, name: str, here: str, **more: Any) -> HTMLResponse: ...


def routes(site: Site, revision: str, joined: Files, door: Door, *, checks: bool) -> APIRouter:
    """The pages of a site; door: who may look and act there; checks: loop checks are made.

    joined: gives addresses of scripts and styles.
    """
    router = APIRouter(include_in_schema=False)
    templates = Jinja2Templates(directory=HERE / "templates")
    always = {
        "site": site.site,
        "revision": revision,
        "acting": door.gate.open,
        "open_to_all": door.viewing,
        "entering": door.gate.open or not door.viewing,
        "idle": minutes(door.sessions.idle_s),
        "checks": checks,
        "nav": [one for one in NAV if checks or one[0] != "/checks"],
        "units": " ".join(EVIDENCE_UNITS),
        "pascals": PASCALS,
        "labels": {unit: LABELS.get(unit, unit) for unit in PRESSURE_UNITS},
        "joined": joined,
        "plots": (STATIC / PLOTS).is_file(),
    }

    def page(request: Request, name: str, here: str, **more: Any) -> HTMLResponse:
        # A page is asked for by a person: the idle time begins anew.
        who = signed_in(door, request)
        return templates.TemplateResponse(request, name, always | who | {"here": here} | more)

    _of_subjects(router, site, page)
    _of_the_site(router, site, page)
    _of_work(router, site, page)
    _of_signing_in(router, door, page)
    return router


def signed_in(door: Door, request: Request) -> dict[str, Any]:
    """For a template: who is signed in, and what that person may do."""
    session = door.session(request)
    if session is not None:
        door.sessions.use(session)
    return {"who": session_view(door, session), "needed": dict(DEEDS)}


def minutes(seconds: float) -> str:
    """A time as people say it."""
    return f"{seconds / 60:g} minutes" if seconds >= 90 else f"{seconds:g} seconds"


def _of_subjects(router: APIRouter, site: Site, page: Maker) -> None:
    """One loop, one transducer."""

    @router.get("/loops/{loop_id}", response_class=HTMLResponse)
    async def loop(request: Request, loop_id: str) -> HTMLResponse:
        if loop_id not in site.loops:
            raise unknown("loops", loop_id, site.loops)
        it = still_loop(site, loop_id, site.loops[loop_id])
        return page(request, "loop.html", "", it=it, interval_s=interval_of(site))

    @router.get("/transducers/{transducer_id}", response_class=HTMLResponse)
    async def transducer(request: Request, transducer_id: str) -> HTMLResponse:
        if transducer_id not in site.transducers:
            raise unknown("transducers", transducer_id, site.transducers)
        noun = site.transducers[transducer_id]
        it = still_transducer(transducer_id, noun, noun.unit)
        loops = [(key, site.loops[key].name or key) for key in site.loops_of(transducer_id)]
        peers = peers_of(site, transducer_id)
        return page(
            request, "transducer.html", "", it=it, noun=noun, loops=loops, peers=peers,
            interval_s=interval_of(site),
        )  # fmt: skip


def _of_the_site(router: APIRouter, site: Site, page: Maker) -> None:
    """What the site is doing, and the gateway itself."""

    @router.get("/", response_class=HTMLResponse)
    async def overview(request: Request) -> HTMLResponse:
        return page(request, "overview.html", "/")

    @router.get("/findings", response_class=HTMLResponse)
    async def findings(request: Request) -> HTMLResponse:
        return page(request, "findings.html", "/findings")

    @router.get("/system", response_class=HTMLResponse)
    async def system(request: Request) -> HTMLResponse:
        return page(request, "system.html", "/system", controllers=site.controllers)


def _of_work(router: APIRouter, site: Site, page: Maker) -> None:
    """What people act on, and what they take away."""

    @router.get("/alarms", response_class=HTMLResponse)
    async def alarms(request: Request) -> HTMLResponse:
        subjects = [
            ("Loops", list(site.loops)),
            ("Transducers", list(site.transducers)),
            ("Controllers", list(site.controllers)),
        ]
        return page(request, "alarms.html", "/alarms", subjects=subjects)

    @router.get("/checks", response_class=HTMLResponse)
    async def checks(request: Request) -> HTMLResponse:
        loops = [(key, name, _inputs(site, key)) for key, name in _to_choose(site)]
        more = {"loops": loops, "cautions": BEFORE, "units_of_pressure": PRESSURE_UNITS}
        return page(request, "checks.html", "/checks", **more)

    @router.get("/export", response_class=HTMLResponse)
    async def export(request: Request, sources: FromApp) -> HTMLResponse:
        more = {
            "loops": _to_choose(site),
            "parquet": has_parquet(),
            "unnamed": await left_out(sources),
        }
        return page(request, "export.html", "/export", **more)


def _of_signing_in(router: APIRouter, door: Door, page: Maker) -> None:
    """Who one is."""

    @router.get(SIGN_IN, response_class=HTMLResponse)
    async def sign_in(request: Request, next: str = "/") -> HTMLResponse:  # noqa: A002 - usual
        more = {
            "back": way_back(next), "viewing": door.viewing, "nobody": not door.people().people,
            "encrypted": encrypted(request) or not beyond_this_machine(address_of(request)),
        }  # fmt: skip
        return page(request, "sign-in.html", SIGN_IN, **more)


def _to_choose(site: Site) -> list[tuple[str, str]]:
    """Id and name of each loop; with the id in it where several bear the same name."""
    names = {key: noun.name or key for key, noun in site.loops.items()}
    often = Counter(names.values())
    return [(key, f"{name} ({key})" if often[name] > 1 else name) for key, name in names.items()]


def _inputs(site: Site, loop_id: str) -> list[tuple[str, list[str]]]:
    """The transducers of a loop, each with the other loops that it serves."""
    return [
        (key, [other for other in site.loops_of(key) if other != loop_id])
        for key in site.loops[loop_id].transducers
    ]
