"""What a loop really did while a transducer was out of tolerance, from its history.

Nobody knows when an error began, so it is taken to have been there since the last good check: the
worst case. What was recorded is corrected by the error line as found and combined anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.combine import combine
from gateway.plant.units import from_pa, in_digits, to_pa

from .acceptance import Verdict
from .judging import Judgement, judgement
from .run import Run
from .steps import Part

RUNS = 0.5
"""Share of a bucket that the fan must run for the bucket to count as running."""


@dataclass(frozen=True)
class History:
    """(n,) means of buckets of `width` seconds, NaN where nothing was recorded.

    members: Pa of each transducer of the loop. running: share of time; all NaN where it is not
    known. since: the last good check, None where there is none; begins: where the history does.
    """

    width: float
    members: Mapping[str, Floats]
    running: Floats
    since: float | None
    begins: float


def out_of_tolerance(run: Run) -> dict[str, Judgement]:
    """Transducers whose own reading was found out of tolerance, with a line to correct it by."""
    found = {}
    for key in run.plan.transducers:
        one = judgement(run, Part.AS_FOUND, key, "input")
        if one is not None and one.verdict is Verdict.FAIL:
            found[key] = one
    return found


def told(run: Run, wrong: Mapping[str, Judgement], history: History) -> dict[str, Any]:
    """What the loop did, in numbers (loop unit, hours) and in words."""
    facts, unit = run.facts, run.facts.unit
    shown = np.column_stack([history.members[key] for key in facts.transducers])
    true = np.column_stack(
        [_corrected(run, key, history.members[key], wrong.get(key)) for key in facts.transducers]
    )
    kind = facts.loop.combine
    was, looked = combine(kind, true), combine(kind, shown)
    counts = np.isfinite(was) & ~(history.running < RUNS)
    found: dict[str, Any] = {
        "transducer": ", ".join(wrong),
        "since": history.since,
        "begins": history.begins,
        "hours": _hours(counts, history),
    }
    if counts.any():
        found |= {
            "true_mean": _in(unit, was[counts].mean()),
            "shown_mean": _in(unit, looked[counts].mean()),
            "true_lowest": _in(unit, was[counts].min()),
            "true_highest": _in(unit, was[counts].max()),
        } | _beyond(run, was, looked, counts, history)
    return found | {"words": _words(run, wrong, found)}


def _corrected(run: Run, key: str, pascals: Floats, wrong: Judgement | None) -> Floats:
    if wrong is None:
        return pascals
    noun = run.facts.transducers[key]
    percent = 100 * (pascals - noun.lrv_pa) / noun.span_pa
    if wrong.line is None:  # one point: the same error everywhere
        right = percent - wrong.figures.worst
    else:
        right = (percent - wrong.line.zero.error) / wrong.line.gain
    return np.asarray(noun.lrv_pa + noun.span_pa * right / 100, dtype=np.float64)


def _beyond(
    run: Run, was: Floats, looked: Floats, counts: Bools, history: History
) -> dict[str, float]:
    """Hours on the wrong side of the loop's limits, really and as it looked."""
    limits, unit, found = run.facts.loop.limits, run.facts.unit, {}
    if limits.low is not None:
        low = to_pa(limits.low, unit)
        found["hours_below"] = _hours(counts & (was < low), history)
        found["hours_looked_below"] = _hours(counts & (looked < low), history)
    if limits.high is not None:
        high = to_pa(limits.high, unit)
        found["hours_above"] = _hours(counts & (was > high), history)
        found["hours_looked_above"] = _hours(counts & (looked > high), history)
    return found


def _hours(which: Bools, history: History) -> float:
    return round(float(which.sum()) * history.width / 3600, 3)


def _in(unit: str, pascals: float) -> float:
    return float(f"{from_pa(float(pascals), unit):.6g}") + 0.0


def _words(run: Run, wrong: Mapping[str, Judgement], found: Mapping[str, Any]) -> str:
    errors = " and ".join(
        f"{key} was found {one.figures.worst:+.2f} % of span off" for key, one in wrong.items()
    )
    since = "the last good check" if found["since"] is not None else "the history begins"
    if not found["hours"]:
        return f"{errors}. There is no history since {since}: what the loop did is not known."
    unit, loop = run.facts.unit, run.facts.loop
    said = {name: in_digits(value) for name, value in found.items() if isinstance(value, float)}
    words = (
        f"{errors}. If it was so since {since}, then in {said['hours']} h of running the "
        f"combined pressure was really {said['true_mean']} {unit} on average, while "
        f"{said['shown_mean']} {unit} was shown; at its lowest {said['true_lowest']}, "
        f"at its highest {said['true_highest']} {unit} (means of buckets)."
    )
    for side, limit in (("below", loop.limits.low), ("above", loop.limits.high)):
        if limit is not None:
            words += (
                f" It was {side} {limit:g} {unit} for {said[f'hours_{side}']} h, where it "
                f"looked so for {said[f'hours_looked_{side}']} h."
            )
    return words
