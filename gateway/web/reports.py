"""Open findings a page at a time: the gravest first, searched by words and by status."""

from __future__ import annotations

from collections import Counter

from pydantic import BaseModel, ConfigDict, Field

from gateway.diagnose.findings import Finding, Status
from gateway.live import Live
from gateway.plant.site import Site
from gateway.views import FindingView, finding_view

from .frame import Frame, Framing
from .overview import NEEDS_FIRST


class Wanted(BaseModel):
    """Which open findings."""

    model_config = ConfigDict(extra="forbid")

    text: str = Field(
        default="",
        max_length=120,
        description="In title, fault, subject, its place, its loops, whatever the case of letters.",
    )
    status: Status | None = Field(default=None, description="Only of this NE 107 status.")
    page: int = Field(default=1, ge=1, le=1_000_000)
    size: int = Field(default=20, ge=1, le=100, description="Findings of a page.")


class PlacedFinding(FindingView):
    """One finding and where its subject is."""

    where: str = Field(description="Location of the transducer, name of the loop.")
    loop_names: list[str] = Field(description="Names of `loops`.")


class FindingsView(Frame):
    """One page of open findings, and how many there are."""

    counts: dict[str, int] = Field(description="Open findings of each NE 107 status.")
    total: int
    matched: int
    page: int = Field(description="The one shown: the last where there are not so many.")
    pages: int
    findings: list[PlacedFinding]


class Reports:
    """Looks at the open findings of the latest snapshot."""

    def __init__(self, live: Live, framing: Framing) -> None:
        self._live, self._framing = live, framing

    def view(self, wanted: Wanted) -> FindingsView:
        """A page of findings, gravest first and of these the latest; in any thread."""
        latest, site = self._live.latest, self._live.site
        there = latest.findings if latest else ()
        text = wanted.text.strip().casefold()
        fits = [
            f
            for f in there
            if wanted.status in {None, f.status} and (not text or text in _words(site, f))
        ]
        fits.sort(key=lambda f: (NEEDS_FIRST.index(f.status), -f.since))
        pages = max(1, -(-len(fits) // wanted.size))
        page = min(wanted.page, pages)
        counts = Counter(f.status for f in there)
        return FindingsView(
            **self._framing.fields(latest),
            counts={one.value: counts[one] for one in NEEDS_FIRST if one is not Status.GOOD},
            total=len(there),
            matched=len(fits),
            page=page,
            pages=pages,
            findings=[
                _placed(site, f) for f in fits[(page - 1) * wanted.size : page * wanted.size]
            ],
        )


def _placed(site: Site, finding: Finding) -> PlacedFinding:
    return PlacedFinding(
        **vars(finding_view(finding)),
        where=_where(site, finding),
        loop_names=[site.loops[key].name or key for key in finding.loops],
    )


def _where(site: Site, finding: Finding) -> str:
    if finding.transducer is not None:
        return site.transducers[finding.transducer].location
    if finding.kind == "loop":
        return site.loops[finding.subject].name
    return site.controllers[finding.subject].description if finding.kind == "controller" else ""


def _words(site: Site, finding: Finding) -> str:
    """What a search for text looks through."""
    names = [site.loops[key].name for key in finding.loops]
    parts = [finding.title, finding.fault, finding.subject, finding.transducer or ""]
    return "\n".join([*parts, _where(site, finding), *finding.loops, *names]).casefold()
