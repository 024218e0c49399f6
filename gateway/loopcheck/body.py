"""The record of a check as plain data: everything that was read, judged and said.

The printed record is made of this and of nothing else. Pressures are in the unit of their
transducer or loop, errors in % of span, times seconds since 1970 UTC.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any

from . import cautions
from .acceptance import Rule, Verdict, risk, worst
from .correction import Part as ErrorPart
from .correction import Proposal, ZeroAndSpan
from .events import Recorded
from .feedback import Line, Lines, table
from .judging import Judgement, Point, Source, judgement
from .mistakes import Mistake, mistakes
from .plan import Facts
from .proofs import proofs
from .run import Run
from .steps import Part

FORMAT = 1
SOURCES: tuple[Source, ...] = ("input", "controller")
Body = dict[str, Any]


def body(run: Run, name: str, *, look_back: Sequence[Mapping[str, Any]] = ()) -> Body:
    """The record of a run that has ended, without its number and the hash of the one before.

    name: the run's. look_back: what history tells of each transducer found out of tolerance.
    """
    facts, plan, found = run.facts, run.plan, mistakes(run)
    transducers = [_transducer(run, key) for key in plan.transducers]
    lines = table(run) if plan.combined else None
    return {
        "format": FORMAT,
        "run": name,
        "software": facts.software,
        "site": facts.site.model_dump(),
        "loop": plan.loop,
        "loop_name": facts.loop.name,
        "combine": facts.loop.combine,
        "action": facts.loop.action,
        "unit": facts.unit,
        "begun": run.begun.time,
        "finished": run.ended.time if run.ended else None,
        "person": run.begun.person,
        "finished_by": run.ended.person if run.ended else None,
        "scheme": plan.scheme,
        "cycles": plan.cycles,
        "only_as_found": plan.only_as_found,
        "reference": plan.reference.model_dump(),
        "ambient": plan.ambient,
        "rule": plan.rule.value,
        "verdict": whole(run, found).value,
        "as_found_verdict": as_found(run).value,
        "transducers": transducers,
        "combined": _combined(run, lines, found) if plan.combined else None,
        "mistakes": [vars(one) for one in found],
        "look_back": [dict(one) for one in look_back],
        "notes": [{"time": n.time, "person": n.person, "text": n.text} for n in run.notes],
        "void": [_void(run, read, why) for read, why in run.void],
        "skipped": [{"step": k, "reason": s.reason} for k, s in run.skipped.items()],
        "remarks": getattr(run.ended, "remarks", ""),
        "cautions": list(cautions.ON_RECORD),
    }


def whole(run: Run, found: Sequence[Mistake]) -> Verdict:
    """Every transducer as left, the feedback in every step, and nothing that is set wrongly."""
    verdicts = [one.verdict for one in _judgements(run, Part.AS_LEFT)]
    if run.plan.combined:
        lines = table(run)
        verdicts.append(lines.verdict if lines else Verdict.NOT_PROVED)
    return worst([*verdicts, *([Verdict.FAIL] * bool(found))])


def as_found(run: Run) -> Verdict:
    """Every transducer as it was found."""
    return worst([one.verdict for one in _judgements(run, Part.AS_FOUND)])


def _judgements(run: Run, part: Part) -> list[Judgement]:
    found = [judgement(run, part, key, source) for key in run.plan.transducers
             for source in SOURCES]  # fmt: skip
    return [one for one in found if one is not None]


def _transducer(run: Run, key: str) -> Body:
    noun = run.facts.transducers[key]
    signal = noun.sends()
    return {
        "id": key,
        "location": noun.location,
        "ports": noun.ports,
        "signal": noun.signal,
        "signal_unit": signal.unit,
        "signal_ends": [signal.low, signal.high],
        "range": list(noun.range),
        "unit": noun.unit,
        "tolerance": noun.tolerance_pct_span,
        "calibrated": noun.calibrated.isoformat() if noun.calibrated else None,
        "adjusted": run.adjusted(key),
        "adjustments": [
            {"time": one.time, "person": one.person, "notes": one.notes, "made": one.adjusted}
            for one in run.adjustments
            if one.transducer == key
        ],
        "as_found": _part(run, Part.AS_FOUND, key),
        "as_left": _part(run, Part.AS_LEFT, key) if run.adjusted(key) else None,
    }


def _part(run: Run, part: Part, key: str) -> Body:
    """Both sources of one part; None where one says nothing."""
    found = {source: judgement(run, part, key, source) for source in SOURCES}
    return {source: _judgement(one) if one else None for source, one in found.items()}


def _judgement(one: Judgement) -> Body:
    figures = vars(one.figures)
    risks = risk(one.ratio) if one.ratio is not None and one.rule is Rule.SIMPLE else None
    return {
        "verdict": one.verdict.value,
        "points": [_point(point, one.source) for point in one.points],
        "skipped": one.skipped,
        "figures": {name: _number(value) for name, value in figures.items()},
        "tolerance": one.tolerance,
        "expanded": _number(one.expanded),
        "ratio": _number(one.ratio),
        "rule": one.rule.value,
        "false_acceptance": _number(risks[0]) if risks else None,
        "adjust": one.adjust,
        "line": _line(one.line) if one.line else None,
        "proposal": _proposal(one.proposal) if one.proposal else None,
        "mistake": vars(one.mistake) if one.mistake else None,
    }


def _point(point: Point, source: Source) -> Body:
    seen = point.read.seen[point.step.transducer]
    return {
        "step": point.step.key,
        "kind": point.step.kind,
        "point": point.step.point,
        "direction": point.step.direction,
        "cycle": point.step.cycle,
        "time": point.read.time,
        "applied": point.applied,
        "shown": point.shown,
        "error": _number(point.error),
        "verdict": point.verdict.value,
        "forced": point.read.forced,
        "limited": point.limited,
        "beyond": _beyond(point),
    } | ({"counts": seen.counts, "electrical": seen.electrical} if source == "input" else {})


def _beyond(point: Point) -> Body | None:
    """The error at an end of the input, by the line of the other readings."""
    found = point.beyond
    if found is None:
        return None
    return {"error": _number(found.error), "expanded": _number(found.expanded)}


def _line(found: ZeroAndSpan) -> Body:
    def part(one: ErrorPart) -> Body:
        told = {"error": _number(one.error), "expanded": _number(one.expanded)}
        return told | {"significant": one.significant}

    return {"zero": part(found.zero), "span": part(found.span), "gain": _number(found.gain)}


def _proposal(found: Proposal) -> Body:
    return {name: _number(value) for name, value in vars(found).items()}


def _combined(run: Run, lines: Lines | None, found: Sequence[Mistake]) -> Body:
    return {
        "verdict": lines.verdict.value if lines else Verdict.NOT_PROVED.value,
        "tolerance": _number(lines.tolerance) if lines else None,
        "lines": [_combined_line(run.facts, line) for line in lines.lines] if lines else [],
        "proofs": [
            {"name": one.name, "verdict": one.verdict.value, "words": one.words}
            for one in proofs(run, found)
        ],
    }


def _combined_line(facts: Facts, line: Line) -> Body:
    return {
        "step": line.step.key,
        "kind": line.step.kind,
        "driven": list(line.step.driven),
        "inputs": [
            {
                "id": key,
                "unit": facts.transducers[key].unit,
                "applied": applied,
                "ours": line.read.seen[key].pressure if key in line.read.seen else None,
                "controller": line.read.seen[key].controller_value
                if key in line.read.seen
                else None,
            }
            for key, applied in line.read.applied.items()
        ],
        "expected": _number(line.expected),
        "ours": _number(line.ours),
        "feedback": _number(line.feedback),
        "output": _number(line.read.loop.output),
        "running": line.read.loop.running,
        "verdict": line.verdict.value if line.verdict else None,
        "forced": line.read.forced,
    }


def _void(run: Run, read: Recorded, why: str) -> Body:
    key = next((s.transducer for s in run.steps() if s.key == read.step), "")
    seen = read.seen.get(key)
    return {
        "step": read.step,
        "time": read.time,
        "reason": why,
        "applied": read.applied.get(key),
        "shown": seen.pressure if seen else None,
    }


def _number(value: float | None) -> float | None:
    """Nine digits, None for what JSON has no word for."""
    return float(f"{value:.9g}") + 0.0 if value is not None and isfinite(value) else None
