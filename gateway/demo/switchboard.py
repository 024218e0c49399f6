"""The page and the HTTP interface that break things in the demo plant, for people and tests."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import Annotated

from fastapi import FastAPI, HTTPException
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, Template, select_autoescape
from pydantic import BaseModel, ConfigDict, Field
from starlette.middleware.trustedhost import TrustedHostMiddleware

from gateway.plant.site import Site

from .faults import FaultError, FaultKind, possible, usual_size
from .plant import Plant

HOSTS = ["127.0.0.1", "localhost"]
"""Names under which the page answers: a foreign page cannot reach it under another."""


class Switch(BaseModel):
    """One fault to switch. `size` left out: its usual size."""

    model_config = ConfigDict(extra="forbid")

    kind: Annotated[str, Field(max_length=64)]
    subject: Annotated[str, Field(max_length=64)]
    size: Annotated[float | None, Field(allow_inf_nan=False)] = None
    on: bool


class Possible(BaseModel):
    """One fault that can be switched, and whether it is. `unit` empty and low = high: no size."""

    kind: str
    subject: str
    title: str
    unit: str
    low: float
    high: float
    size: float
    on: bool


class Faults(BaseModel):
    """Every fault of every subject."""

    faults: list[Possible]


def application(plant: Plant) -> FastAPI:
    """The page at /, the interface at /faults."""
    # Every answer is a coroutine: a worker thread would meet the plant in the middle of a step.
    # The usual pages of the interface fetch their scripts from elsewhere.
    app = FastAPI(title="Loopwitness demo plant", version="1", docs_url=None, redoc_url=None)
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=HOSTS)
    folder = FileSystemLoader(Path(__file__).parent)
    template = Environment(loader=folder, autoescape=select_autoescape()).get_template(
        "switchboard.html"
    )

    @app.get("/", response_class=HTMLResponse, include_in_schema=False)
    async def show() -> HTMLResponse:
        return _page(template, plant)

    @app.get("/faults")
    async def faults() -> Faults:
        """Every fault that can be switched."""
        return Faults(faults=[one for key in _subjects(plant.site) for one in _of(plant, key)])

    @app.post("/faults")
    async def switch(wanted: Switch) -> Possible:
        """Switch one fault on or off while the plant runs."""
        try:
            fault = plant.switch(wanted.kind, wanted.subject, wanted.size, on=wanted.on)
        except FaultError as error:
            raise HTTPException(422, str(error)) from error
        return next(one for one in _of(plant, fault.subject) if one.kind == fault.kind)

    @app.delete("/faults")
    async def repair() -> Faults:
        """Switch everything off."""
        for fault in plant.faults:
            plant.switch(fault.kind, fault.subject, fault.size, on=False)
        return await faults()

    return app


def _page(template: Template, plant: Plant) -> HTMLResponse:
    site, nonce = plant.site, secrets.token_urlsafe(16)
    groups = [(name, _title(site, name), _of(plant, name)) for name in _subjects(site)]
    policy = (
        f"default-src 'none'; style-src 'nonce-{nonce}'; script-src 'nonce-{nonce}'; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )
    return HTMLResponse(
        template.render(site=site.site, groups=groups, nonce=nonce),
        headers={"Content-Security-Policy": policy, "Cache-Control": "no-store"},
    )


def _subjects(site: Site) -> list[str]:
    return [*site.transducers, *site.loops, *site.controllers]


def _title(site: Site, subject: str) -> str:
    if subject in site.transducers:
        return site.transducers[subject].location
    if subject in site.loops:
        return site.loops[subject].name
    return site.controllers[subject].description


def _of(plant: Plant, subject: str) -> list[Possible]:
    sizes = {fault.kind: fault.size for fault in plant.faults if fault.subject == subject}
    return [_entry(plant.site, kind, subject, sizes) for kind in possible(plant.site, subject)]


def _entry(site: Site, kind: FaultKind, subject: str, sizes: dict[str, float]) -> Possible:
    size = sizes.get(kind.kind)
    return Possible(
        kind=kind.kind,
        subject=subject,
        title=kind.title,
        unit=kind.unit,
        low=kind.low,
        high=kind.high,
        size=usual_size(site, kind.kind, subject) if size is None else size,
        on=size is not None,
    )
