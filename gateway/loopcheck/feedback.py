"""The combined part judged: does the controller's feedback follow what was applied, and how.

Each input alone tells which is which, pairs tell how they are combined; the controller's own
input values, where the site file names them, tell scaling from combining.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gateway.measure.combine import combine
from gateway.plant.units import from_pa, to_pa

from .acceptance import Verdict, outside, worst
from .events import Recorded
from .plan import Facts
from .run import Run
from .steps import Part, Step

KINDS = ("average", "minimum", "maximum", "median", "sum", "difference")
ARITHMETIC = 0.5
"""% of the widest span by which a feedback may differ from what its own inputs make: rounding,
and values read a moment apart (common practice, no source)."""


TREMBLES = 2.0
"""Standard deviations of the most restless input that come on top."""


@dataclass(frozen=True)
class Line:
    """One step; pressures in the loop's unit, those of inputs in the transducer's.

    expected: what the combination must give of what was applied. None: not known, or no point.
    """

    step: Step
    read: Recorded
    expected: float
    ours: float | None
    feedback: float | None
    verdict: Verdict | None
    """None beyond the range: where an input stops is told, not judged."""


@dataclass(frozen=True)
class Lines:
    """All of the combined part. tolerance: in the loop's unit."""

    lines: tuple[Line, ...]
    skipped: int
    tolerance: float
    verdict: Verdict


def table(run: Run) -> Lines | None:
    """Expected, ours and the controller's of each step; None where nothing was read."""
    steps = [s for s in run.steps() if s.part is Part.COMBINED]
    read = [(s, run.recorded[s.key]) for s in steps if s.key in run.recorded]
    if not read:
        return None
    tolerance = tolerance_of(run.facts)
    lines = tuple(_line(run.facts, s, r, tolerance) for s, r in read)
    skipped = sum(s.key in run.skipped and s.kind == "inputs" for s in steps)
    judged = [line.verdict for line in lines if line.verdict is not None]
    return Lines(lines, skipped, tolerance, worst(judged + [Verdict.NOT_PROVED] * (skipped > 0)))


def tolerance_of(facts: Facts) -> float:
    """How far a feedback may be off while every input is within its own tolerance, loop unit."""
    each = [noun.span_pa * noun.tolerance_pct_span / 100 for noun in facts.transducers.values()]
    match facts.loop.combine:
        case "average":
            pascals = sum(each) / len(each)
        case "sum" | "difference":
            pascals = sum(each)
        case _:
            pascals = max(each)
    return from_pa(pascals, facts.unit)


def made_of(facts: Facts, kind: str, pressures: dict[str, float]) -> float:
    """What a combination gives of pressures in their transducers' units; in the loop's unit.

    kind: a combination, or the id of the one transducer that it takes.
    """
    pascals = {k: to_pa(pressures[k], noun.unit) for k, noun in facts.transducers.items()}
    if kind in pascals:
        return from_pa(pascals[kind], facts.unit)
    return from_pa(float(combine(kind, np.array(list(pascals.values())))), facts.unit)


def _line(facts: Facts, step: Step, read: Recorded, tolerance: float) -> Line:
    expected = made_of(facts, facts.loop.combine, dict(read.applied))
    feedback = read.loop.feedback
    verdict = None
    if step.kind == "inputs":
        verdict = Verdict.NOT_PROVED if feedback is None else (
            Verdict.FAIL if outside(abs(feedback - expected), tolerance) else Verdict.PASS
        )  # fmt: skip
    return Line(step, read, expected, read.loop.combined, feedback, verdict)


def inputs_of(facts: Facts, read: Recorded) -> dict[str, float] | None:
    """What the controller makes of each input, else our own; None where any is missing."""
    if not set(facts.transducers) <= set(read.seen):
        return None
    values = {key: read.seen[key].controller_value for key in facts.transducers}
    known = {key: value for key, value in values.items() if value is not None}
    if len(known) == len(values):
        return known
    return {key: read.seen[key].pressure for key in facts.transducers}


def candidates(facts: Facts) -> tuple[str, ...]:
    """Combinations that mean something of their own for this many inputs."""
    n = len(facts.transducers)
    if n == 1:
        return ("single",)
    kinds = [
        kind for kind in KINDS
        if not (kind == "median" and n == 2) and not (kind == "difference" and n != 2)
    ]  # fmt: skip
    return (*kinds, *facts.transducers)


def arithmetic(facts: Facts, reads: Sequence[Recorded]) -> float:
    """How far, in % of the widest span, a feedback may be from what its own inputs make.

    The more by what the inputs tremble: the mean of a minimum is not the minimum of means (off by
    0.56 standard deviations for two inputs, 0.85 for three), and not all is read at one moment.
    """
    widest = max(noun.span_pa for noun in facts.transducers.values())
    moved = [to_pa(one.deviation, facts.transducers[key].unit)
             for read in reads for key, one in read.seen.items()]  # fmt: skip
    return ARITHMETIC + TREMBLES * 100 * max(moved, default=0.0) / widest


def distance(facts: Facts, kind: str, reads: Sequence[Recorded]) -> float:
    """Largest distance of the feedback from what a combination gives, % of the widest span."""
    far = 0.0
    for read in reads:
        inputs = inputs_of(facts, read)
        if inputs is None or read.loop.feedback is None:
            continue
        off = to_pa(read.loop.feedback - made_of(facts, kind, inputs), facts.unit)
        far = max(far, abs(off))
    return 100 * far / max(noun.span_pa for noun in facts.transducers.values())
