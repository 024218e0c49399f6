"""The shapes in which other programs see the site: the HTTP interface and MQTT share them.

Pressures leave in the unit of their transducer or loop; times as ISO 8601 in UTC.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from math import isfinite

from pydantic import BaseModel, Field

from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.diagnose.findings import Finding, Status
from gateway.live import LinkState, SinkState, Snapshot
from gateway.measure.quality import WORDS, Quality, Reason
from gateway.plant.site import Site
from gateway.plant.units import from_pa

RANK = tuple(Status)
"""Worst to best after "good"; the rank of the last two is disputed, and decides nothing here."""


class FindingView(BaseModel):
    """One finding."""

    id: str
    fault: str
    title: str
    signature: str = Field(description="How such a fault shows itself: why it was said.")
    kind: str
    subject: str
    phase: str
    time: str
    since: str
    status: str
    confidence: float
    evidence: dict[str, float | str]
    rivals: list[str]
    next_check: str
    consequence: str
    transducer: str | None
    loops: list[str]


class TransducerView(BaseModel):
    """One transducer at this instant; `value` in `unit`, `electrical` in `electrical_unit`."""

    id: str
    location: str
    ports: str
    loops: list[str]
    controller: str
    signal: str
    unit: str
    range: tuple[float, float]
    time: str
    value: float | None
    quality: str
    reason: str
    status: str
    counts: float | None
    electrical: float | None
    electrical_unit: str
    percent_span: float | None
    controller_value: float | None


class LoopState(BaseModel):
    """One loop at this instant without what belongs to it; pressures in `unit`."""

    id: str
    name: str
    unit: str
    time: str
    combine: str
    combined: float | None
    quality: str
    reason: str
    status: str
    feedback: float | None
    setpoint: float | None
    output: float | None
    output_unit: str
    running: bool | None
    driver: str | None
    limit_low: float | None
    limit_high: float | None


class LoopView(LoopState):
    """One loop at this instant; pressures in `unit`."""

    transducers: Sequence[TransducerView]
    findings: list[FindingView]


class LinkView(BaseModel):
    """How one controller answers."""

    controller: str
    address: str
    connected: bool
    reason: str
    last_answer: str | None
    polls: int
    failures: int
    missed_ticks: int
    reconnects: int
    response_ms: float | None


class SinkView(BaseModel):
    """How one receiver is doing."""

    name: str
    connected: bool
    reason: str
    sent: int
    failures: int
    waiting: int
    last_sent: str | None


def iso(seconds: float) -> str:
    """Seconds since 1970 as ISO 8601 in UTC, to the millisecond."""
    stamp = datetime.fromtimestamp(round(seconds * 1000) / 1000, UTC)
    return stamp.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def number(value: float, digits: int = 6) -> float | None:
    """A float rounded to significant digits, None for NaN and infinity (JSON has neither)."""
    return rounded(value, digits) if isfinite(value) else None


def rounded(value: float, digits: int) -> float:
    """To significant digits: 17.44, not 17.439999999999998, and no minus at zero."""
    return float(f"{value:.{digits}g}") + 0.0


def pressure(pascals: float, unit: str) -> float | None:
    """Pascals in a display unit, None for NaN."""
    return number(from_pa(float(pascals), unit))


def worst_status(findings: Iterable[Finding], *, work: bool = False) -> Status:
    """The gravest NE 107 status among findings; without any "good", or "function check" at work."""
    worse = [f.status for f in findings if f.status is not Status.GOOD]
    return min(worse, key=RANK.index, default=Status.FUNCTION_CHECK if work else Status.GOOD)


def finding_view(finding: Finding) -> FindingView:
    """A finding as other programs see it."""
    evidence = {
        key: value if isinstance(value, str) else number(value)
        for key, value in finding.evidence.items()
    }
    return FindingView(
        id=finding.id,
        fault=finding.fault,
        title=finding.title,
        signature=CATALOGUE[finding.fault].signature if finding.fault in CATALOGUE else "",
        kind=finding.kind,
        subject=finding.subject,
        phase=finding.phase,
        time=iso(finding.time),
        since=iso(finding.since),
        status=finding.status,
        confidence=round(finding.confidence, 3),
        evidence={k: v if v is not None else "not known" for k, v in evidence.items()},
        rivals=list(finding.rivals),
        next_check=finding.next_check,
        consequence=finding.consequence,
        transducer=finding.transducer,
        loops=list(finding.loops),
    )


def quality_word(code: int) -> str:
    """Quality in words: good, uncertain or bad."""
    return Quality(code).name.lower()


def transducer_views(site: Site, snapshot: Snapshot) -> list[TransducerView]:
    """Every transducer of the site, in file order."""
    return [transducer_view(site, snapshot, k) for k in site.transducers]


def transducer_view(site: Site, snapshot: Snapshot, transducer_id: str) -> TransducerView:
    """One transducer at the snapshot's instant; KeyError for an unknown id."""
    noun = site.transducers[transducer_id]
    column = site.transducer_column(transducer_id)
    now = snapshot.readings
    pascals = float(now.pressure[0, column])
    mine = snapshot.of_transducer.get(transducer_id, ())
    return TransducerView(
        id=transducer_id,
        location=noun.location,
        ports=noun.ports,
        loops=list(site.loops_of(transducer_id)),
        controller=noun.counts.partition(".")[0],
        signal=noun.signal,
        unit=noun.unit,
        range=noun.range,
        time=iso(snapshot.time),
        value=pressure(pascals, noun.unit),
        quality=quality_word(int(now.quality[0, column])),
        reason=WORDS[Reason(int(now.reasons[0, column]))],
        status=worst_status(mine, work=("transducer", transducer_id) in snapshot.under_work),
        counts=number(float(now.counts[0, column]), 9),
        electrical=number(float(now.electrical[0, column])),
        electrical_unit=noun.sends().unit,
        percent_span=number(100 * (pascals - noun.lrv_pa) / noun.span_pa),
        controller_value=pressure(float(now.controller_value[0, column]), noun.unit),
    )


def loop_view(
    site: Site,
    snapshot: Snapshot,
    loop_id: str,
    transducers: Mapping[str, TransducerView] | None = None,
) -> LoopView:
    """One loop at the snapshot's instant; KeyError for an unknown id."""
    noun = site.loops[loop_id]
    members = transducers or {k: transducer_view(site, snapshot, k) for k in noun.transducers}
    return LoopView(
        **dict(loop_state(site, snapshot, loop_id)),
        transducers=[members[k] for k in noun.transducers],
        findings=[finding_view(f) for f in snapshot.of_loop.get(loop_id, ())],
    )


def loop_state(site: Site, snapshot: Snapshot, loop_id: str) -> LoopState:
    """The same without what belongs to it, which is most of the work."""
    noun = site.loops[loop_id]
    column = site.loop_column(loop_id)
    unit = site.loop_unit(loop_id)
    now = snapshot.readings
    mine = snapshot.of_loop.get(loop_id, ())
    driver = int(now.driver[0, column])
    running = float(now.running[0, column])
    return LoopState(
        id=loop_id,
        name=noun.name or loop_id,
        unit=unit,
        time=iso(snapshot.time),
        combine=noun.combine,
        combined=pressure(float(now.combined[0, column]), unit),
        quality=quality_word(int(now.combined_quality[0, column])),
        reason=WORDS[Reason(int(now.combined_reasons[0, column]))],
        status=worst_status(mine, work=("loop", loop_id) in snapshot.under_work),
        feedback=pressure(float(now.feedback[0, column]), unit),
        setpoint=pressure(float(now.setpoint[0, column]), unit),
        output=number(float(now.output[0, column])),
        output_unit=site.point(noun.output).unit if noun.output else "",
        running=bool(running) if isfinite(running) else None,
        driver=site.transducer_ids[driver] if driver >= 0 else None,
        limit_low=noun.limits.low,
        limit_high=noun.limits.high,
    )


def link_views(site: Site, links: Mapping[str, LinkState]) -> list[LinkView]:
    """Every controller's link, in file order."""
    return [link_view(site, links.get(k, LinkState(k))) for k in site.controllers]


def link_view(site: Site, link: LinkState) -> LinkView:
    """How one controller answers."""
    controller = site.controllers[link.controller]
    return LinkView(
        controller=link.controller,
        address=f"{controller.host}:{controller.port} unit {controller.unit_id}",
        connected=link.connected,
        reason=link.reason,
        last_answer=iso(link.last_answer) if link.last_answer is not None else None,
        polls=link.polls,
        failures=link.failures,
        missed_ticks=link.missed_ticks,
        reconnects=link.reconnects,
        response_ms=number(link.response_ms, 4) if link.response_ms is not None else None,
    )


def sink_views(sinks: Mapping[str, SinkState]) -> list[SinkView]:
    """Every receiver, by name."""
    return [
        SinkView(
            name=s.name,
            connected=s.connected,
            reason=s.reason,
            sent=s.sent,
            failures=s.failures,
            waiting=s.waiting,
            last_sent=iso(s.last_sent) if s.last_sent is not None else None,
        )
        for s in sinks.values()
    ]
