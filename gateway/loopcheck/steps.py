"""The steps of a check, made of its plan: what to apply where, in which order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from typing import Literal

from gateway.plant.units import from_pa, to_pa

from .characteristics import Direction
from .plan import POINTS, Facts, Plan

LEVEL = 0.6
"""Of the nearest far end of range: what inputs are driven to. Far from zero, far from the end."""
BEYOND = 0.03
"""Of span beyond the far end: enough to see an input stop there, little for any device."""


class Part(StrEnum):
    """Of a check."""

    AS_FOUND = "as found"
    AS_LEFT = "as left"
    COMBINED = "combined"


@dataclass(frozen=True)
class Step:
    """One reading to take.

    apply: pressure at each transducer that takes part, in its own unit. transducer: the one that
    is checked; "" in the combined part, where `driven` are those that get more than the rest.
    """

    key: str
    part: Part
    kind: Literal["ports bridged", "point", "inputs", "beyond range"]
    apply: Mapping[str, float]
    transducer: str = ""
    point: float = 0.0
    direction: Direction = "up"
    cycle: int = 1
    driven: tuple[str, ...] = ()


def of_transducer(plan: Plan, facts: Facts, part: Part, transducer: str) -> Iterator[Step]:
    """Steps of one transducer, as found or as left, in order."""
    prefix = f"{part.value.replace(' ', '-')}/{transducer}"
    low, high = facts.transducers[transducer].range
    if low <= 0 <= high and plan.scheme != "one point":
        yield Step(
            f"{prefix}/zero", part, "ports bridged", {transducer: 0.0}, transducer,
            facts.percent(transducer, 0.0),
        )  # fmt: skip
    if plan.scheme == "one point":
        yield _point(prefix, facts, part, transducer, (plan.point, "up", 1))
    for cycle in range(1, plan.cycles + 1):
        up = POINTS[plan.scheme]
        for point in up:
            yield _point(prefix, facts, part, transducer, (point, "up", cycle))
        for point in up[-2::-1]:
            yield _point(prefix, facts, part, transducer, (point, "down", cycle))


def _point(
    prefix: str, facts: Facts, part: Part, key: str, where: tuple[float, Direction, int]
) -> Step:
    point, direction, cycle = where
    return Step(
        f"{prefix}/{cycle}-{direction}-{point:g}", part, "point",
        {key: facts.pressure(key, point)}, key, point, direction, cycle,
    )  # fmt: skip


def combined(facts: Facts) -> Iterator[Step]:
    """Rest, each input alone, each pair, and one input a little beyond its range."""
    members = tuple(facts.transducers)
    for number in (0, 1, 2):
        for driven in combinations(members, number):
            yield _inputs(facts, driven)
    first = members[0]
    low, high = facts.transducers[first].range
    beyond = BEYOND * (high - low)
    far = high + beyond if abs(high) >= abs(low) else low - beyond
    rest = {key: _rest(facts, key) for key in members}
    yield Step(
        f"combined/beyond/{first}", Part.COMBINED, "beyond range",
        rest | {first: float(f"{far:.9g}")}, driven=(first,),
    )  # fmt: skip


def _inputs(facts: Facts, driven: tuple[str, ...]) -> Step:
    level = _level_pa(facts)
    apply = {
        key: _in_unit(facts, key, level) if key in driven else _rest(facts, key)
        for key in facts.transducers
    }
    name = "+".join(driven) or "rest"
    return Step(f"combined/{name}", Part.COMBINED, "inputs", apply, driven=driven)


def _level_pa(facts: Facts) -> float:
    """One pressure for all inputs, so that a tee can bring it to several."""
    far = [
        max((to_pa(end, noun.unit) for end in noun.range), key=abs)
        for noun in facts.transducers.values()
    ]
    return LEVEL * min(far, key=abs)


def _rest(facts: Facts, key: str) -> float:
    """Nothing applied; of a range without zero, the end next to it."""
    low, high = facts.transducers[key].range
    return min(max(0.0, low), high)


def _in_unit(facts: Facts, key: str, pascals: float) -> float:
    noun = facts.transducers[key]
    low, high = noun.range
    return float(f"{min(max(from_pa(pascals, noun.unit), low), high):.9g}")
