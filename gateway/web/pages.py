"""Pages: what stands still about a site goes into the HTML, what changes comes by the stream."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, log10
from pathlib import Path

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from fastapi.templating import Jinja2Templates

from gateway.export.parquettable import has_parquet
from gateway.plant.loops import Loop
from gateway.plant.site import Site
from gateway.plant.transducers import Transducer
from gateway.plant.units import PASCALS, PRESSURE_UNITS, from_pa

from .now import interval_of
from .trends import SPAN_S

HERE = Path(__file__).parent
PLOT = HERE / "static" / "vendor" / "uplot" / "uPlot.iife.min.js"
NAV = (("/", "Loops"), ("/alarms", "Alarms"), ("/export", "Export"))
"""Address and name of every page in the navigation."""
LABELS = {
    "inH2O": "inH₂O",
    "inH2O_4C": "inH₂O (4 °C)",
    "inH2O_60F": "inH₂O (60 °F)",
    "mmH2O": "mmH₂O",
    "cmH2O": "cmH₂O",
}
"""Units that are shown otherwise than they are written in the site file."""
EVIDENCE_UNITS = (*PRESSURE_UNITS, "mA", "V", "s", "Hz", "rpm", "K", "counts")
"""Units in which a name in a finding's evidence may end."""
OPEN_LOOPS = 6
"""With more loops than this, transducers and trends of calm ones are folded away."""
SAID = {
    "average": "average of",
    "minimum": "minimum of",
    "maximum": "maximum of",
    "median": "median of",
    "sum": "sum of",
    "difference": "difference of",
    "single": "from",
}


@dataclass(frozen=True)
class Still:
    """A transducer or a loop as far as it does not change. `low`/`high`: ends of its scale."""

    id: str
    name: str
    unit: str
    decimals: int
    low: float
    high: float


@dataclass(frozen=True)
class StillTransducer(Still):
    """`factor` turns its unit into the loop's. `name` is where it is."""

    factor: float
    about: str


@dataclass(frozen=True)
class StillLoop(Still):
    """`said`: how the pressures are combined, in words."""

    said: str
    output_unit: str
    limit_low: float | None
    limit_high: float | None
    transducers: tuple[StillTransducer, ...]


def decimals(span: float) -> int:
    """Digits after the point that show about a thousandth of a span."""
    return min(4, max(0, ceil(-log10(span / 1000))))


def still_transducer(key: str, noun: Transducer, loop_unit: str) -> StillTransducer:
    """One transducer as a loop in `loop_unit` shows it."""
    about = [f"{noun.signal}, {noun.range[0]:g} to {noun.range[1]:g} {label(noun.unit)}"]
    if noun.ports:
        about.append(noun.ports)
    return StillTransducer(
        id=key,
        name=noun.location,
        unit=label(noun.unit),
        decimals=decimals(noun.range[1] - noun.range[0]),
        low=noun.range[0],
        high=noun.range[1],
        factor=PASCALS[noun.unit] / PASCALS[loop_unit],
        about="; ".join(about),
    )


def still_loop(site: Site, key: str, noun: Loop) -> StillLoop:
    """One loop with its transducers."""
    unit = site.loop_unit(key)
    members = [site.transducers[k] for k in noun.transducers]
    low = from_pa(min(t.lrv_pa for t in members), unit)
    high = from_pa(max(t.urv_pa for t in members), unit)
    return StillLoop(
        id=key,
        name=noun.name or key,
        unit=label(unit),
        decimals=decimals(max(from_pa(t.span_pa, unit) for t in members)),
        low=low,
        high=high,
        said=f"{SAID[noun.combine]} {len(members) if len(members) > 1 else noun.transducers[0]}",
        output_unit=site.point(noun.output).unit if noun.output else "",
        limit_low=noun.limits.low,
        limit_high=noun.limits.high,
        transducers=tuple(
            still_transducer(k, t, unit) for k, t in zip(noun.transducers, members, strict=True)
        ),
    )


def figure(value: float | None) -> str:
    """A number with a true minus sign, or that there is none."""
    return "none" if value is None else f"{value:g}".replace("-", "\N{MINUS SIGN}")


def label(unit: str) -> str:
    """A unit as people read it."""
    return LABELS.get(unit, unit)


def routes(site: Site, revision: str, *, acting: bool) -> APIRouter:
    """The pages of a site; acting: whether people may act on alarms there."""
    router = APIRouter(include_in_schema=False)
    templates = Jinja2Templates(directory=HERE / "templates")
    templates.env.filters["figure"] = figure
    used = {k for loop in site.loops.values() for k in loop.transducers}
    context = {
        "site": site.site,
        "revision": revision,
        "acting": acting,
        "nav": NAV,
        "interval_s": interval_of(site),
        "span_s": SPAN_S,
        "units": " ".join(EVIDENCE_UNITS),
        "plots": PLOT.is_file(),
        "loops": [still_loop(site, k, noun) for k, noun in site.loops.items()],
        "spare": [
            still_transducer(k, t, t.unit) for k, t in site.transducers.items() if k not in used
        ],
        "folded": len(site.loops) > OPEN_LOOPS,
        "controllers": site.controllers,
        "parquet": has_parquet(),
        "subjects": [
            ("Loops", list(site.loops)),
            ("Transducers", list(site.transducers)),
            ("Controllers", list(site.controllers)),
        ],
    }

    @router.get("/", response_class=HTMLResponse)
    async def overview(request: Request) -> HTMLResponse:
        return templates.TemplateResponse(request, "overview.html", context | {"here": "/"})

    @router.get("/alarms", response_class=HTMLResponse)
    async def alarms(request: Request) -> HTMLResponse:
        return templates.TemplateResponse(request, "alarms.html", context | {"here": "/alarms"})

    @router.get("/export", response_class=HTMLResponse)
    async def export(request: Request) -> HTMLResponse:
        return templates.TemplateResponse(request, "export.html", context | {"here": "/export"})

    return router
