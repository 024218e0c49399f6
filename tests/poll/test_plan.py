"""Read plans: every point once, no limit broken, no forbidden register, no request too many."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.plant.controllers import Controller, Point, Reads
from gateway.poll.plan import PlanError, forbidden, plan


def controller(points: dict[str, tuple[str, int, str]], **reads: Any) -> Controller:
    nouns = {k: {"table": t, "address": a, "type": kind} for k, (t, a, kind) in points.items()}
    return Controller.model_validate({"host": "h", "points": nouns, "reads": reads})


def spans(noun: Controller) -> list[tuple[str, int, int]]:
    return [(r.table, r.address, r.count) for r in plan(noun)]


def test_near_points_share_a_request() -> None:
    noun = controller(
        {
            "far": ("holding", 100, "uint16"),
            "b": ("holding", 44, "float32"),
            "a": ("holding", 40, "float32"),
            "counts": ("input", 10, "int16"),
        }
    )
    assert spans(noun) == [("input", 10, 1), ("holding", 40, 6), ("holding", 100, 1)]
    middle = plan(noun)[1]
    assert [(p.name, p.column, p.offset) for p in middle.points] == [("a", 2, 0), ("b", 1, 4)]
    assert str(middle) == "holding 40 to 45"


def test_gap_at_its_limit_and_one_beyond() -> None:
    points = {"a": ("input", 0, "uint16"), "b": ("input", 4, "uint16")}
    assert len(plan(controller(points, max_gap=3))) == 1
    assert len(plan(controller(points, max_gap=2))) == 2


def test_a_value_is_never_split() -> None:
    points = {"a": ("input", 0, "uint16"), "b": ("input", 1, "float64")}
    assert spans(controller(points, max_registers=4)) == [("input", 0, 1), ("input", 1, 4)]
    assert spans(controller(points, max_registers=5)) == [("input", 0, 5)]


def test_no_forbidden_register_even_in_a_gap() -> None:
    points = {"a": ("holding", 0, "uint16"), "b": ("holding", 3, "uint16")}
    assert len(plan(controller(points))) == 1
    assert len(plan(controller(points, forbidden_holding=[(2, 2)]))) == 2
    assert len(plan(controller(points, forbidden_input=[(2, 2)]))) == 1


def test_impossible_points_are_all_named() -> None:
    points = {
        "good": ("holding", 0, "uint16"),
        "wide": ("holding", 4, "float64"),
        "shut": ("input", 19, "int32"),
    }
    noun = controller(points, max_registers=2, forbidden_input=[(20, 30)])
    with pytest.raises(PlanError) as caught:
        plan(noun)
    assert [fault.path for fault in caught.value.faults] == ["points.wide", "points.shut"]
    assert str(caught.value) == (
        "points.wide: a float64 fills 4 registers; allowed: reads.max_registers = 2\n"
        "points.shut: input registers 19 to 20; allowed: none of reads.forbidden_input 20 to 30"
    )


def test_no_points_no_requests() -> None:
    assert plan(controller({})) == ()


@st.composite
def controllers(draw: st.DrawFn, most: int = 40, reach: int = 120) -> Controller:
    table = st.sampled_from(["input", "holding"]) if most > 7 else st.just("holding")
    kind = st.sampled_from(["uint16", "int16", "float32", "float64"])
    ends = st.lists(st.tuples(st.integers(0, reach), st.integers(0, 4)), max_size=3)
    shut = {t: [(a, a + n) for a, n in draw(ends)] for t in ("input", "holding")}
    points: dict[str, tuple[str, int, str]] = {}
    for i in range(draw(st.integers(0, most))):
        item = (draw(table), draw(st.integers(0, reach)), draw(kind))
        last = item[1] + Point(table="input", address=0, type=item[2]).registers - 1
        if not any(item[1] <= high and low <= last for low, high in shut[item[0]]):
            points[f"p{i}"] = item
    return controller(
        points,
        max_registers=draw(st.integers(4, 20)),
        max_gap=draw(st.integers(0, 8)),
        forbidden_input=shut["input"],
        forbidden_holding=shut["holding"],
    )


def touched(reads: Reads, table: Any) -> set[int]:
    return {a for low, high in forbidden(reads, table) for a in range(low, high + 1)}


@given(noun=controllers())
def test_every_point_once_and_no_limit_broken(noun: Controller) -> None:
    requests = plan(noun)
    places = [place for request in requests for place in request.points]
    assert sorted(place.column for place in places) == list(range(len(noun.points)))
    for request in requests:
        asked = range(request.address, request.address + request.count)
        assert 1 <= request.count <= noun.reads.max_registers
        assert not touched(noun.reads, request.table) & set(asked)
        wanted: set[int] = set()
        for place in request.points:
            point = list(noun.points.values())[place.column]
            assert (place.point, place.name) == (point, list(noun.points)[place.column])
            assert point.table == request.table
            mine = range(point.address, point.address + point.registers)
            assert request.address + place.offset == point.address
            assert set(mine) <= set(asked)
            wanted |= set(mine)
        steps = sorted(wanted)
        gaps = [b - a - 1 for a, b in pairwise(steps)]
        assert max(gaps, default=0) <= noun.reads.max_gap


def partitions(items: list[Point]) -> Iterator[list[list[Point]]]:
    """Every way to put items into groups."""
    if not items:
        yield []
        return
    head, *rest = items
    for groups in partitions(rest):
        yield [[head], *groups]
        for i in range(len(groups)):
            yield [*groups[:i], [head, *groups[i]], *groups[i + 1 :]]


def allowed(reads: Reads, group: list[Point]) -> bool:
    wanted = {a for p in group for a in range(p.address, p.address + p.registers)}
    span = range(min(wanted), max(wanted) + 1)
    steps = sorted(wanted)
    gaps = [b - a - 1 for a, b in pairwise(steps)]
    return (
        len(span) <= reads.max_registers
        and max(gaps, default=0) <= reads.max_gap
        and not touched(reads, "holding") & set(span)
    )


@settings(deadline=None)
@given(noun=controllers(most=6, reach=24))
def test_fewest_requests(noun: Controller) -> None:
    ways = partitions(list(noun.points.values()))
    fewest = min(len(way) for way in ways if all(allowed(noun.reads, group) for group in way))
    assert len(plan(noun)) == fewest
