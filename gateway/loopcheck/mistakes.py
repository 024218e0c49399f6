"""What is wrong with a loop, by name, from everything that was read in its check."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import floor, log10

import numpy as np

from gateway.measure.combine import combine as combine_pa
from gateway.plant.units import from_pa, in_digits, to_pa

from .events import Recorded
from .feedback import arithmetic, candidates, distance
from .judging import Judgement, judgement
from .naming import Named, name_of
from .plan import Facts
from .run import Run
from .steps import Part, Step

LEADS, DEAF = 0.5, 0.25
"""Share of an applied change that an input must show to be the one that got it, and share below
which it did not."""
TURNS = 0.005
"""Share of the output's range by which it must move to show its direction."""


@dataclass(frozen=True)
class Mistake:
    """One thing found. fault: as in the catalogue of the diagnosis where it is there too."""

    fault: str
    subject: str
    words: str


def mistakes(run: Run) -> tuple[Mistake, ...]:
    """Everything that can be named, causes first."""
    swapped = tuple(_swapped(run))
    return (
        *swapped,
        *_settings(run, swapped),
        *_combination(run),
        *_action(run),
        *_setpoint(run),
    )


def _combined(run: Run, kind: str = "inputs") -> list[tuple[Step, Recorded]]:
    return [
        (s, run.recorded[s.key])
        for s in run.steps()
        if s.part is Part.COMBINED and s.kind == kind and s.key in run.recorded
    ]


def follows(run: Run) -> dict[str, dict[str, float]]:
    """Driven input -> input -> share of the applied change that it shows."""
    found: dict[str, dict[str, float]] = {}
    for key, (low, high) in _driven_alone(run).items():
        change = _pascals(run.facts, key, high.applied[key] - low.applied[key])
        if change:
            found[key] = {
                other: _pascals(run.facts, other, high.seen[other].pressure
                                - low.seen[other].pressure) / change
                for other in run.facts.transducers
                if other in high.seen and other in low.seen
            }  # fmt: skip
    return found


def _driven_alone(run: Run) -> dict[str, tuple[Recorded, Recorded]]:
    """Two readings of each input that differ most, while nothing else was driven."""
    found: dict[str, tuple[Recorded, Recorded]] = {}
    reads = _combined(run)
    rest = next((r for s, r in reads if not s.driven), None)
    for step, read in reads:
        if rest is not None and len(step.driven) == 1:
            found[step.driven[0]] = (rest, read)
    for key in run.plan.transducers:
        part = Part.AS_LEFT if run.adjusted(key) else Part.AS_FOUND
        own = [run.recorded[s.key] for s in run.steps()
               if s.part is part and s.transducer == key and s.key in run.recorded]  # fmt: skip
        own.sort(key=lambda read: read.applied[key])
        if key not in found and len(own) > 1:
            found[key] = (own[0], own[-1])
    return found


def _pascals(facts: Facts, key: str, pressure: float) -> float:
    return to_pa(pressure, facts.transducers[key].unit)


def _swapped(run: Run) -> Iterator[Mistake]:
    """Inputs that answer for one another; told once for a pair."""
    found, told = follows(run), set[str]()
    for key, shares in found.items():
        if shares.get(key, 1.0) >= DEAF or key in told:
            continue
        leads = [other for other, share in shares.items() if other != key and share >= LEADS]
        if not leads:
            yield Mistake(
                "input-deaf", key,
                f"What is applied to {key} shows at no input: wire, tube or transducer.",
            )  # fmt: skip
            continue
        other = leads[0]
        both = found.get(other, {}).get(key, 0.0) >= LEADS
        told |= {key, other}
        yield Mistake(
            "inputs-swapped", f"{key}, {other}",
            f"What is applied to {key} shows at the input of {other}"
            + (f", and the other way round: the inputs of {key} and {other} are swapped." if both
               else f": look at both wires, and at the points of {key} and {other}."),
        )  # fmt: skip


def _settings(run: Run, swapped: Sequence[Mistake]) -> Iterator[Mistake]:
    crossed = {key for one in swapped for key in one.subject.split(", ")}
    for key in run.facts.transducers:
        ours = _judged(run, key)
        if ours is not None and ours.mistake is not None and key not in crossed:
            yield Mistake(ours.mistake.fault, key, _about_input(key, ours.mistake))
        theirs = _of_controller(run, key)
        if theirs is not None:
            yield Mistake(theirs.fault, key, _about_controller(run.facts, key, theirs))


def _judged(run: Run, key: str) -> Judgement | None:
    return judgement(run, Part.AS_LEFT, key, "input") if key in run.plan.transducers else None


def _of_controller(run: Run, key: str) -> Named | None:
    """What the controller makes of an input against what the input reads, from every reading.

    Those as found do not count once it was adjusted.
    """
    facts, old = run.facts, f"as-found/{key}/" if run.adjusted(key) else "-"
    noun = facts.transducers[key]
    pairs = [
        (seen.pressure, seen.controller_value)
        for name, read in run.recorded.items()
        if not name.startswith(old) and (seen := read.seen.get(key)) is not None
        if seen.controller_value is not None
    ]
    if not pairs:
        return None
    true = [facts.percent(key, ours) for ours, _ in pairs]
    return name_of(noun, facts.value_units[key], true, [facts.percent(key, v) for _, v in pairs])


def _about_controller(facts: Facts, key: str, found: Named) -> str:
    noun = facts.transducers[key]
    low, high = noun.range
    ends = " to ".join(_near(end, high - low) for end in (found.low, found.high))
    return (
        f"The controller scales {key} wrongly: {found.words}. It shows {found.gain:.3g} x true "
        f"{_signed(found.offset)} % of span, as if its range were {ends} {noun.unit}; enter "
        f"{low:g} to {high:g} {noun.unit} and {noun.signal}."
    )


def _about_input(key: str, found: Named) -> str:
    return (
        f"{key} reads {found.gain:.3g} x what is applied {_signed(found.offset)} % of span: "
        f"{found.words}. Compare its nameplate, the resistor at the input and the site file."
    )


def _signed(value: float) -> str:
    """Something to add, with its sign apart."""
    text = f"{value:+.1f}"
    return f"{text[0]} {text[1:]}" if float(text) else "+ 0.0"


def _near(value: float, span: float) -> str:
    """A pressure to a thousandth of the span."""
    step = 10.0 ** floor(log10(span / 1000))
    return f"{round(value / step) * step + 0.0:.6g}"


def _combination(run: Run) -> Iterator[Mistake]:
    reads = [r for _, r in _combined(run)]
    if not any(r.loop.feedback is not None for r in reads):
        return
    facts = run.facts
    wanted, allowed = facts.loop.combine, arithmetic(facts, reads)
    if distance(facts, wanted, reads) <= allowed:
        return
    fits = [kind for kind in candidates(facts) if distance(facts, kind, reads) <= allowed]
    names = [f"{kind} alone" if kind in facts.transducers else f"the {kind}" for kind in fits]
    made = " or ".join(names) if names else "none of the usual combinations of its inputs"
    yield Mistake(
        "combination-mismatch", run.plan.loop,
        f"The feedback is not the {wanted} of its inputs but {made}; set it to {wanted}, or "
        "correct the site file.",
    )  # fmt: skip


def action_shown(run: Run) -> bool | None:
    """Whether the output moved as the site file says; None where it showed nothing.

    It must leave the side to which the feedback is wrong; told only where it moves.
    """
    loop, votes = run.facts.loop, []
    if loop.output_range is None:
        return None
    least = TURNS * abs(loop.output_range[1] - loop.output_range[0])
    for _, read in _combined(run):
        now = read.loop
        if now.feedback is None or now.setpoint is None or now.output_moved is None:
            continue
        if now.running is not False and abs(now.output_moved) >= least:
            rises = now.output_moved > 0
            votes.append((rises == (now.feedback < now.setpoint)) == (loop.action == "reverse"))
    if not votes or (any(votes) and not all(votes)):
        return None
    return votes[0]


def _action(run: Run) -> Iterator[Mistake]:
    if action_shown(run) is False:
        way = "rise" if run.facts.loop.action == "reverse" else "fall"
        yield Mistake(
            "action-reversed", run.plan.loop,
            f"The output moves the wrong way: it must {way} while the feedback is below the set "
            "point.",
        )  # fmt: skip


def setpoint(run: Run) -> float | None:
    """The latest set point that was read, in the loop's unit."""
    values = [r.loop.setpoint for r in run.recorded.values() if r.loop.setpoint is not None]
    return values[-1] if values else None


def _setpoint(run: Run) -> Iterator[Mistake]:
    value, (low, high), unit = setpoint(run), combined_range(run.facts), run.facts.unit
    if value is not None and not low <= value <= high:
        yield Mistake(
            "setpoint-outside-range", run.plan.loop,
            f"The set point {in_digits(value)} {unit} lies outside what the transducers can show "
            f"together, {in_digits(low)} to {in_digits(high)} {unit}.",
        )  # fmt: skip


def combined_range(facts: Facts) -> tuple[float, float]:
    """Lowest and highest combined pressure that the transducers can show, in the loop's unit."""
    nouns = list(facts.transducers.values())
    low, high = np.array([n.lrv_pa for n in nouns]), np.array([n.urv_pa for n in nouns])
    if facts.loop.combine == "difference":
        low, high = np.array([low[0], high[1]]), np.array([high[0], low[1]])
    kind = facts.loop.combine
    ends = float(combine_pa(kind, low)), float(combine_pa(kind, high))
    return from_pa(ends[0], facts.unit), from_pa(ends[1], facts.unit)
