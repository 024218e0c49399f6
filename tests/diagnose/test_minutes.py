"""Minutes against a naive gathering, and the same digits however the rows are cut."""

from __future__ import annotations

import dataclasses
import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.diagnose.minutes import Gather, Minutes
from gateway.measure.blocks import Block
from gateway.measure.measure import Measure
from gateway.measure.quality import Reason
from tests.sites import block, site


def history(seed: int, rows: int = 300) -> Block:
    """Moving counts with failed reads and a few holes of several minutes."""
    rng = np.random.default_rng(seed)
    here = site()
    names = ("a.c1", "a.c2", "a.feedback")
    made = block(here, {name: rng.integers(6000, 24000, rows) for name in names})
    reasons = rng.choice([Reason.NONE, Reason.NO_COMMUNICATION], size=(rows, 1), p=[0.9, 0.1])
    reasons = np.broadcast_to(reasons, made.values.shape).astype(np.uint8)
    time = made.time[0] + np.cumsum(rng.choice([1.0, 2.0, 200.0], rows, p=[0.6, 0.39, 0.01]))
    return Block(time, np.where(reasons == Reason.NONE, made.values, np.nan), reasons)


def gathered(whole: Block, edges: list[int]) -> tuple[Minutes, list[int]]:
    measure = Measure(site())
    gather = Gather(measure.columns)
    parts, rows = [], []
    for a, b in itertools.pairwise(edges):
        minutes = gather.examine(measure.examine(whole.rows(a, b)))
        parts.append(minutes)
        rows += [a + int(r) for r in minutes.row]
    return joined(parts), rows


def joined(parts: list[Any]) -> Any:
    """Tables of the same kind, one after the other, field by field."""
    if isinstance(parts[0], np.ndarray):
        return np.concatenate(parts)
    names = [f.name for f in dataclasses.fields(parts[0])]
    return type(parts[0])(**{n: joined([getattr(p, n) for p in parts]) for n in names})


def same(a: Any, b: Any) -> None:
    """Equal to the last digit, field by field."""
    for field in dataclasses.fields(a):
        one, two = getattr(a, field.name), getattr(b, field.name)
        if isinstance(one, np.ndarray):
            np.testing.assert_array_equal(one, two, err_msg=field.name)
        else:
            same(one, two)


@pytest.mark.slow
@given(st.integers(0, 10_000), st.lists(st.integers(1, 299), max_size=10))
def test_minutes_do_not_depend_on_how_history_is_cut(seed: int, cuts: list[int]) -> None:
    whole = history(seed)
    once, once_rows = gathered(whole, [0, len(whole)])
    parts, rows = gathered(whole, sorted({0, len(whole), *cuts}))
    assert rows == once_rows
    same(dataclasses.replace(parts, row=once.row), once)


def test_minutes_against_a_naive_reference() -> None:
    whole = history(3)
    minutes, rows = gathered(whole, [0, len(whole)])
    seen = Measure(site()).examine(whole)
    bucket = np.floor(whole.time / 60)
    assert minutes.start.tolist() == [b * 60 for b in sorted(set(bucket))[:-1]]
    for k, start in enumerate(minutes.start):
        mine = bucket == start / 60
        good = mine & seen.fresh[:, 0]
        values = seen.pressure[good, 0]
        assert minutes.count[k, 0] == good.sum()
        if len(values):
            np.testing.assert_allclose(minutes.mean[k, 0], values.mean(), rtol=1e-12)
            np.testing.assert_allclose(minutes.sd[k, 0], values.std(), rtol=1e-6, atol=1e-6)
            assert minutes.high[k, 0] == values.max()
            both = good & seen.fresh[:, 1]
            x, y = seen.pressure[both, 0], seen.pressure[both, 1]
            np.testing.assert_allclose(minutes.peer.y[k, 0], y.mean(), rtol=1e-12)
            covariance = np.cov(x, y, bias=True)[0, 1]
            np.testing.assert_allclose(minutes.peer.xy[k, 0], covariance, rtol=1e-6, atol=1e-6)
        assert whole.time[rows[k]] >= start + 60 > whole.time[rows[k] - 1]
