"""The same findings however the history is cut into blocks: the contract of every detector."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.diagnose.diagnose import Diagnosis
from gateway.diagnose.findings import Finding
from gateway.measure.blocks import Block
from gateway.measure.measure import Measure
from gateway.measure.quality import Reason
from gateway.plant.site import Site
from tests.sites import block, site, transducer

pytestmark = pytest.mark.slow


def plant() -> Site:
    """Two loops over two controllers, one of them with a heartbeat."""
    points = {f"c{k}": {"table": "input", "address": k} for k in (1, 2, 3)}
    points["feedback"] = {"table": "holding", "address": 0, "type": "float32", "unit": "Pa"}
    points["beat"] = {"table": "holding", "address": 2}
    controllers = {
        "a": {"host": "127.0.0.1", "points": points, "heartbeat": "beat"},
        "b": {"host": "127.0.0.2", "points": points},
    }
    transducers = {f"{c}{k}": transducer(f"{c}.c{k}") for c in "ab" for k in (1, 2, 3)}
    loops = {
        "la": {"transducers": ["a1", "a2"], "combine": "average", "feedback": "a.feedback"},
        "lb": {"transducers": ["b1", "b2", "b3"], "combine": "median", "feedback": "b.feedback"},
        "both": {"transducers": ["a3", "b3"], "combine": "minimum"},
    }
    return site(transducers, loops, controllers)


def history(here: Site, seed: int, rows: int = 400) -> Block:
    """A busy history: steps, dead wires, stuck values, silence, refusals, slow polls."""
    rng = np.random.default_rng(seed)
    refs = [f"{c}.{p}" for c, noun in here.controllers.items() for p in noun.points]
    columns = {}
    for ref in refs:
        values = 15000 + rng.normal(0, 3, rows).round() + rng.choice([0, 200, 1500])
        for _ in range(rng.integers(0, 4)):
            start, length = rng.integers(0, rows), rng.integers(1, 200)
            rows_hit = slice(int(start), int(start + length))
            to: tuple[Any, ...] = (0, values[start], 30000, values[rows_hit] + 900)
            values[rows_hit] = to[rng.integers(0, 4)]
        if ref.endswith("feedback"):
            values = 50 + values / 1e3
        columns[ref] = values
    made = block(here, columns)
    reasons = np.zeros(made.values.shape, dtype=np.uint8)
    half = list(here.controllers["a"].points)
    for part in (slice(0, len(half)), slice(len(half), None)):
        for _ in range(rng.integers(0, 5)):
            start, length = rng.integers(0, rows), rng.integers(1, 40)
            reasons[start : start + length, part] = rng.choice(
                [Reason.NOT_DUE, Reason.NO_COMMUNICATION, Reason.BAD_REPLY]
            )
    time = made.time[0] + np.cumsum(rng.choice([1.0, 1.0, 1.0, 2.5], rows))
    return Block(time, np.where(reasons == Reason.NONE, made.values, np.nan), reasons)


def run(here: Site, whole: Block, edges: list[int]) -> list[Finding]:
    measure = Measure(here)
    diagnosis = Diagnosis(here, measure.columns)
    found: list[Finding] = []
    for a, b in itertools.pairwise(edges):
        found += diagnosis.examine(measure.examine(whole.rows(a, b)))
    return found


@settings(max_examples=15)
@given(st.integers(0, 100_000), st.lists(st.integers(1, 399), max_size=12))
def test_findings_do_not_depend_on_how_history_is_cut(seed: int, cuts: list[int]) -> None:
    here = plant()
    whole = history(here, seed)
    once = run(here, whole, [0, len(whole)])
    assert run(here, whole, sorted({0, len(whole), *cuts})) == once


def test_row_by_row_as_live_gives_the_same_and_there_is_something_to_find() -> None:
    here = plant()
    faults = set()
    for seed in range(2):
        whole = history(here, seed)
        once = run(here, whole, [0, len(whole)])
        assert run(here, whole, list(range(len(whole) + 1))) == once
        faults |= {f.fault for f in once}
    # The property would be empty if the histories were quiet.
    assert len(faults) >= 6, faults
