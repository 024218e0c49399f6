"""One transducer judged: by what our own reading says, and by what the controller makes of it.

Ours comes from the counts and the nameplate range: it judges transducer, wiring and input. The
controller's own value also judges the settings that a person entered there.

At an end of an input that clamps, an error beyond it does not show. So nothing passes there by
what it reads, but by what the line through the other readings says of that place; without such a
line it is not proved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt
from typing import Literal

from gateway.plant.units import to_pa

from .acceptance import Rule, Verdict, applied_rule, judged, outside, ratio, worst
from .characteristics import Characteristics, Reading, characteristics
from .correction import Part as ErrorPart
from .correction import Proposal, ZeroAndSpan, error_at, proposal, zero_and_span
from .events import Recorded
from .naming import Named, name_of
from .plan import Facts, per_count
from .run import Run
from .steps import Part, Step

Source = Literal["input", "controller"]


@dataclass(frozen=True)
class Point:
    """One reading in the table; pressures in the transducer's unit, errors in % of span."""

    step: Step
    read: Recorded
    applied: float
    shown: float
    error: float
    expanded: float | None
    verdict: Verdict
    limited: bool = False
    """At an end of the input, beyond which an error does not show."""
    beyond: ErrorPart | None = None
    """There: the error that the line of the other readings has; None where there is no line."""


@dataclass(frozen=True)
class Judgement:
    """A transducer, as found or as left, by one source. Figures in % of span."""

    transducer: str
    part: Part
    source: Source
    points: tuple[Point, ...]
    skipped: int
    figures: Characteristics
    line: ZeroAndSpan | None
    tolerance: float
    expanded: float | None
    """Expanded uncertainty of the least certain reading; None: the reference states none."""
    rule: Rule
    """SIMPLE or GUARDED, as it was applied."""
    verdict: Verdict
    adjust: bool
    """Above the adjust limit."""
    proposal: Proposal | None
    mistake: Named | None

    @property
    def ratio(self) -> float | None:
        """Test uncertainty ratio."""
        return ratio(self.tolerance, self.expanded)


def judgement(run: Run, part: Part, transducer: str, source: Source) -> Judgement | None:
    """The verdict on a transducer; None where nothing was read, or the source says nothing.

    As left of a transducer that was not adjusted is as found.
    """
    of = Part.AS_FOUND if part is Part.AS_LEFT and not run.adjusted(transducer) else part
    steps = [s for s in run.steps() if s.part is of and s.transducer == transducer]
    read = [(s, run.recorded[s.key]) for s in steps if s.key in run.recorded]
    seen = [(s, r, shown) for s, r in read if (shown := _shown(r, transducer, source)) is not None]
    if not seen:
        return None
    facts, noun, rule = run.facts, run.facts.transducers[transducer], run.plan.rule
    each = [expanded(run, transducer, r) for _, r, _ in seen]
    widest = None if None in each else max(u for u in each if u is not None)
    free = _free(points := tuple(_point(facts, one, widest, rule) for one in seen))
    others = _readings(facts, transducer, free)
    known = _reference(run, transducer), _alone(run, transducer, seen[0][1])
    line = zero_and_span(others, *known)
    if len(free) < len(points):
        points = tuple(_ended(run, one, others, known) if one.limited else one for one in points)
    else:
        points = tuple(_unproved(one) if one.limited else one for one in points)
    skipped = sum(s.key in run.skipped for s in steps)
    tolerance = noun.tolerance_pct_span
    limit = run.plan.adjust_pct_span or tolerance / 2
    ends = noun.sends()
    return Judgement(
        transducer=transducer,
        part=part,
        source=source,
        points=points,
        skipped=skipped,
        figures=characteristics(_readings(facts, transducer, free, "point")),
        line=line,
        tolerance=tolerance,
        expanded=widest,
        rule=applied_rule(rule, tolerance, widest),
        verdict=worst([p.verdict for p in points] + [Verdict.NOT_PROVED] * (skipped > 0)),
        adjust=any(outside(abs(e), limit) for p in points for e in _errors(p)),
        proposal=proposal(line, noun.range, (ends.low, ends.high)) if line else None,
        mistake=_mistake(run, transducer, source, points),
    )


def expanded(run: Run, transducer: str, read: Recorded) -> float | None:
    """Expanded uncertainty of one reading, % of span; None where the reference states none.

    Its parts: the reference, the step of the input's counts, and what moved while it was read.
    """
    reference = _reference(run, transducer)
    if reference is None:
        return None
    return 2 * sqrt(reference**2 + _alone(run, transducer, read) ** 2)


def _reference(run: Run, transducer: str) -> float | None:
    pascals = run.plan.reference.standard_pa()
    return None if pascals is None else 100 * pascals / run.facts.transducers[transducer].span_pa


def _alone(run: Run, transducer: str, read: Recorded) -> float:
    """Standard uncertainty of a reading without the reference, % of span."""
    noun = run.facts.transducers[transducer]
    signal = noun.sends()
    step = 100 * run.facts.step(transducer) * per_count(noun) / (signal.high - signal.low)
    moved = to_pa(read.seen[transducer].deviation, noun.unit)
    noise = 100 * moved / noun.span_pa / sqrt(read.readings)
    return sqrt(step**2 / 12 + noise**2)


def _shown(read: Recorded, transducer: str, source: Source) -> float | None:
    seen = read.seen.get(transducer)
    if seen is None:
        return None
    return seen.pressure if source == "input" else seen.controller_value


def _point(
    facts: Facts, read: tuple[Step, Recorded, float], widest: float | None, rule: Rule
) -> Point:
    step, event, shown = read
    key, applied = step.transducer, event.applied[step.transducer]
    error = facts.percent(key, shown) - facts.percent(key, applied)
    tolerance = facts.transducers[key].tolerance_pct_span
    return Point(
        step, event, applied, shown, error, widest, judged(error, tolerance, widest, rule),
        at_end(facts, key, event.seen[key].counts),
    )  # fmt: skip


def at_end(facts: Facts, key: str, counts: float) -> bool:
    """Whether an input that clamps stands at one of its ends, within half a step of its point."""
    card = facts.transducers[key].input
    return card.clamps and min(abs(counts - end) for end in card.counts) <= facts.step(key) / 2


def _ended(
    run: Run, point: Point, others: list[Reading], known: tuple[float | None, float]
) -> Point:
    """A reading at an end of the input, judged by the line of the others."""
    key, rule = point.step.transducer, run.plan.rule
    beyond = error_at(run.facts.percent(key, point.applied), others, *known)
    if beyond is None or point.verdict is Verdict.FAIL:
        return _unproved(point)
    # Not read but inferred: so it must lie inside with its uncertainty, where there is one.
    rule = rule if beyond.expanded is None else Rule.GUARDED
    tolerance = run.facts.transducers[key].tolerance_pct_span
    verdict = judged(beyond.error, tolerance, beyond.expanded, rule)
    return replace(point, verdict=verdict, beyond=beyond)


def _unproved(point: Point) -> Point:
    """What reads right where an error would not show."""
    return replace(point, verdict=worst([point.verdict, Verdict.NOT_PROVED]))


def _errors(point: Point) -> list[float]:
    return [point.error] if point.beyond is None else [point.error, point.beyond.error]


def _free(points: tuple[Point, ...]) -> tuple[Point, ...]:
    """Those that could show an error either way; all of them where too few could."""
    free = tuple(p for p in points if not p.limited)
    return free if len({p.step.point for p in free}) > 1 else points


def _readings(facts: Facts, key: str, points: Sequence[Point], kind: str = "") -> list[Reading]:
    """Readings of a kind of step, % of span; of all kinds where there is none of that."""
    chosen = [p for p in points if p.step.kind == kind] or points
    return [
        Reading(
            p.step.point, p.step.direction, facts.percent(key, p.applied),
            facts.percent(key, p.shown),
        )
        for p in chosen
    ]  # fmt: skip


def _mistake(run: Run, key: str, source: Source, points: Sequence[Point]) -> Named | None:
    """Of the input: against what was applied; of the controller: against the input's own reading.

    So a device that is off is not taken for a wrong setting in the controller.
    """
    facts = run.facts
    noun = facts.transducers[key]
    shown = [facts.percent(key, p.shown) for p in points]
    if source == "input":
        return name_of(noun, None, [facts.percent(key, p.applied) for p in points], shown)
    ours = [facts.percent(key, p.read.seen[key].pressure) for p in points]
    return name_of(noun, facts.value_units[key], ours, shown)
