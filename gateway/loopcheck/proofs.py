"""What the combined part of a check proves, line by line, and what it leaves open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from gateway.plant.units import in_digits

from .acceptance import Verdict
from .events import Recorded
from .judging import at_end
from .mistakes import Mistake, action_shown, combined_range, follows, setpoint
from .run import Run
from .steps import Part

SCALING = (
    "live-zero-mismatch", "signal-mismatch", "unit-mismatch", "percent-for-value",
    "range-mismatch",
)  # fmt: skip
STOPS = 0.1
"""% of span short of which a value still follows beyond the range."""


@dataclass(frozen=True)
class Proof:
    """One question answered, or left open."""

    name: str
    verdict: Verdict
    words: str


def proofs(run: Run, found: Sequence[Mistake]) -> tuple[Proof, ...]:
    """The questions of the combined part, answered by its readings and the mistakes found."""
    faults = {one.fault: one.words for one in found}
    return (
        _identity(run, faults),
        _scaling(run, faults),
        _combination(run, faults),
        _clamping(run),
        _action(run, faults),
        _setpoint(run, faults),
    )


def _said(name: str, faults: dict[str, str], of: Sequence[str]) -> Proof | None:
    words = [faults[fault] for fault in of if fault in faults]
    return Proof(name, Verdict.FAIL, " ".join(words)) if words else None


def _identity(run: Run, faults: dict[str, str]) -> Proof:
    name = "Which input is which"
    if wrong := _said(name, faults, ("inputs-swapped", "input-deaf")):
        return wrong
    missing = [key for key in run.facts.transducers if key not in follows(run)]
    if missing:
        return Proof(name, Verdict.NOT_PROVED, f"Not driven alone: {', '.join(missing)}.")
    return Proof(name, Verdict.PASS, "Each input answers for its own transducer, alone.")


def _scaling(run: Run, faults: dict[str, str]) -> Proof:
    name = "Scaling of each input"
    if wrong := _said(name, faults, SCALING):
        return wrong
    silent = [key for key in run.facts.transducers if key not in run.facts.value_units]
    if silent:
        words = f"The site file names no point for the controller's own value of {silent[0]}."
        return Proof(name, Verdict.NOT_PROVED, words)
    return Proof(name, Verdict.PASS, "The controller shows each input as its range says.")


def _combination(run: Run, faults: dict[str, str]) -> Proof:
    name, wanted = "Combination", run.facts.loop.combine
    if wrong := _said(name, faults, ("combination-mismatch",)):
        return wrong
    if not any(read.loop.feedback is not None for read in _combined(run)):
        return Proof(name, Verdict.NOT_PROVED, "No feedback was read.")
    return Proof(name, Verdict.PASS, f"The feedback is the {wanted} of its inputs in every step.")


def _combined(run: Run) -> list[Recorded]:
    return [run.recorded[s.key] for s in run.steps()
            if s.part is Part.COMBINED and s.key in run.recorded]  # fmt: skip


def _clamping(run: Run) -> Proof:
    name = "Beyond the range"
    read = next((r for r in _combined(run) if r.step.startswith("combined/beyond/")), None)
    if read is None:
        return Proof(name, Verdict.NOT_PROVED, "Not tried.")
    key = read.step.rpartition("/")[2]
    seen, percent = read.seen.get(key), run.facts.percent
    if seen is None:
        return Proof(name, Verdict.NOT_PROVED, f"{key} had no reading there.")
    applied, ours = percent(key, read.applied[key]), percent(key, seen.pressure)
    words = f"At {applied:.4g} % of span the input of {key} shows {ours:.4g} %"
    stands = at_end(run.facts, key, seen.counts)
    words += ", where it ends" if stands else ""
    if seen.controller_value is None:
        return Proof(name, Verdict.PASS, words + ".")
    theirs = percent(key, seen.controller_value)
    stops = "stops at" if theirs < ours - STOPS else "shows" if stands else "follows to"
    return Proof(name, Verdict.PASS, f"{words}; the controller {stops} {theirs:.4g} %.")


def _action(run: Run, faults: dict[str, str]) -> Proof:
    name = "Direction of action"
    if wrong := _said(name, faults, ("action-reversed",)):
        return wrong
    if action_shown(run):
        words = f"The output moved as a {run.facts.loop.action}-acting loop must."
        return Proof(name, Verdict.PASS, words)
    return Proof(name, Verdict.NOT_PROVED, "The output did not move, or not one way.")


def _setpoint(run: Run, faults: dict[str, str]) -> Proof:
    name, value = "Set point in range", setpoint(run)
    if wrong := _said(name, faults, ("setpoint-outside-range",)):
        return wrong
    if value is None:
        return Proof(name, Verdict.NOT_PROVED, "No set point was read.")
    (low, high), unit = combined_range(run.facts), run.facts.unit
    words = f"{in_digits(value)} {unit} lies within {in_digits(low)} to {in_digits(high)} {unit}."
    return Proof(name, Verdict.PASS, words)
