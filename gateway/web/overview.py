"""Every loop in short, a page at a time: those that need a person first, whatever their number."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from gateway.diagnose.findings import Finding, Status
from gateway.live import Live, Snapshot
from gateway.plant.site import Site
from gateway.views import FindingView, finding_view, transducer_view, worst_status

from .briefs import RowBrief, loop_brief, spare_brief
from .frame import Frame, Framing
from .limits import passed
from .now import Now
from .still import still_loop, still_transducer

NEEDS_FIRST = (
    Status.FAILURE,
    Status.OUT_OF_SPECIFICATION,
    Status.MAINTENANCE_REQUIRED,
    Status.FUNCTION_CHECK,
    Status.GOOD,
)
"""Who works on something knows of it: function check comes after what nobody sees to."""
MOST_ROWS = 100
MOST_FINDINGS = 50

Row = tuple[Literal["loop", "transducer"], str]
"""Kind and id."""
ByRow = Mapping[Row, Sequence[Finding]]


class Asked(BaseModel):
    """Which rows of the overview."""

    model_config = ConfigDict(extra="forbid")

    text: str = Field(
        default="",
        max_length=120,
        description="In name or id of the loop, or in id, location or controller of one of its "
        "transducers, whatever the case of letters.",
    )
    status: Status | None = Field(default=None, description="Only rows of this NE 107 status.")
    page: int = Field(default=1, ge=1, le=1_000_000)
    size: int = Field(default=30, ge=1, le=MOST_ROWS, description="Rows of a page.")


class OverviewView(Frame):
    """One page of rows, and how many there are."""

    counts: dict[str, int] = Field(description="Rows of each NE 107 status, of the whole site.")
    total: int
    loops: int = Field(description="How many of them are loops; the rest are transducers alone.")
    matched: int = Field(description="Rows that fit what was asked for.")
    page: int = Field(description="The one shown: the last where there are not so many.")
    pages: int
    rows: list[RowBrief]
    findings: list[FindingView] = Field(
        description=f"Open ones that touch no row; at most {MOST_FINDINGS}."
    )


class Overview:
    """Looks at the latest snapshot; knows names and scales of the site."""

    def __init__(self, live: Live, framing: Framing, now: Now) -> None:
        self._live, self._framing, self._now = live, framing, now
        site = live.site
        self._loops = {k: still_loop(site, k, noun) for k, noun in site.loops.items()}
        self._spare = {
            k: still_transducer(k, noun, noun.unit)
            for k, noun in site.transducers.items()
            if not site.loops_of(k)
        }
        self._rows: list[Row] = [("loop", k) for k in self._loops]
        self._rows += [("transducer", k) for k in self._spare]
        self._words = [_words(site, row) for row in self._rows]

    def view(self, asked: Asked) -> OverviewView:
        """A page of rows; may be asked in any thread."""
        latest = self._live.latest
        by_row = _by_row(latest.findings) if latest else {}
        beyond = passed(latest.alarms) if latest else {}
        status = [_status(latest, row, by_row, beyond) for row in self._rows]
        text = asked.text.strip().casefold()
        fits = [
            k
            for k, words in enumerate(self._words)
            if (not text or text in words) and asked.status in {None, status[k]}
        ]
        fits.sort(key=lambda k: NEEDS_FIRST.index(status[k]))
        pages = max(1, -(-len(fits) // asked.size))
        page = min(asked.page, pages)
        shown = fits[(page - 1) * asked.size : page * asked.size]
        counts = Counter(status)
        return OverviewView(
            **self._framing.fields(latest),
            counts={one.value: counts[one] for one in NEEDS_FIRST},
            total=len(self._rows),
            loops=len(self._loops),
            matched=len(fits),
            page=page,
            pages=pages,
            rows=[self._brief(latest, self._rows[k], by_row, beyond) for k in shown]
            if latest
            else [],
            findings=self._elsewhere(latest) if latest else [],
        )

    def _brief(
        self, latest: Snapshot, row: Row, by_row: ByRow, beyond: Mapping[str, str]
    ) -> RowBrief:
        findings = [finding_view(f) for f in by_row.get(row, ())]
        kind, key = row
        if kind == "loop":
            brief = loop_brief(self._now.at(latest, key), self._loops[key], findings)
            status = _status(latest, row, by_row, beyond)
            return brief.model_copy(update={"limit": beyond.get(key, ""), "status": status.value})
        view = transducer_view(self._live.site, latest, key)
        return spare_brief(view, self._spare[key], findings)

    def _elsewhere(self, latest: Snapshot) -> list[FindingView]:
        mine = [f for f in latest.findings if not f.loops and f.transducer not in self._spare]
        return [finding_view(f) for f in mine[:MOST_FINDINGS]]


def _by_row(findings: Sequence[Finding]) -> dict[Row, list[Finding]]:
    """The gravest first, of these the oldest."""
    found: dict[Row, list[Finding]] = defaultdict(list)
    for finding in sorted(findings, key=lambda f: NEEDS_FIRST.index(f.status)):
        for key in finding.loops:
            found["loop", key].append(finding)
        if finding.transducer is not None and not finding.loops:
            found["transducer", finding.transducer].append(finding)
    return found


def _status(latest: Snapshot | None, row: Row, by_row: ByRow, beyond: Mapping[str, str]) -> Status:
    """The worst of its findings; out of specification at least where it is beyond a limit."""
    if latest is None:
        return Status.GOOD
    found = worst_status(by_row.get(row, ()), work=row in latest.under_work)
    if row[0] == "loop" and row[1] in beyond and found is not Status.FUNCTION_CHECK:
        return min(found, Status.OUT_OF_SPECIFICATION, key=NEEDS_FIRST.index)
    return found


def _words(site: Site, row: Row) -> str:
    """What a search for text looks through."""
    kind, key = row
    loop = site.loops[key] if kind == "loop" else None
    words = [key, loop.name if loop else ""]
    for member in loop.transducers if loop else (key,):
        noun = site.transducers[member]
        words += [member, noun.location, noun.counts.partition(".")[0]]
    return "\n".join(words).casefold()
