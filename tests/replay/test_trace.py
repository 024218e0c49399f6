"""Thinned pressures against each bucket looked at by itself."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.measure.blocks import Floats, Readings
from gateway.measure.measure import Measure
from gateway.replay.trace import Trace
from tests.sites import block, counts_for, site

HERE = site()


def readings(steps: list[float], seed: int) -> Readings:
    n = len(steps)
    chance = np.random.default_rng(seed)
    percent = np.where(chance.random((2, n)) < 0.2, np.nan, chance.uniform(0, 100, (2, n)))
    made = block(HERE, {"a.c1": counts_for(percent[0]), "a.c2": counts_for(percent[1])})
    made.time[:] = 1_780_000_000 + np.cumsum(steps)
    return Measure(HERE).examine(made)


def columns(r: Readings) -> Floats:
    return np.concatenate([r.pressure, r.combined, r.feedback, r.setpoint], axis=1)


def part(r: Readings, start: int, stop: int) -> Readings:
    return Readings(**{name: value[start:stop] for name, value in vars(r).items()})


@given(
    steps=st.lists(st.sampled_from([0.2, 1.0, 1.0, 7.0, 500.0]), min_size=1, max_size=60),
    cuts=st.lists(st.integers(1, 59), max_size=4),
    most=st.integers(1, 12),
    seed=st.integers(0, 99),
)
def test_buckets(steps: list[float], cuts: list[int], most: int, seed: int) -> None:
    r = readings(steps, seed)
    trace = Trace(most=most)
    edges = [0, *sorted({c for c in cuts if c < len(r)}), len(r)]
    for start, stop in pairwise(edges):
        trace.add(part(r, start, stop))
    time, low, mean, high = trace.series()
    assert 1 <= len(time) <= most
    assert (np.diff(time) > 0).all()
    assert np.log2(trace.width_s) % 1 == 0
    inside = np.floor(r.time / trace.width_s) * trace.width_s
    assert set(time.tolist()) == set(inside.tolist())
    values = columns(r)
    for k, start in enumerate(time.tolist()):
        for c in range(values.shape[1]):
            own = values[inside == start, c]
            own = own[np.isfinite(own)]
            if len(own):
                assert (low[k, c], high[k, c]) == (own.min(), own.max())
                assert mean[k, c] == pytest.approx(own.mean(), rel=1e-12, abs=1e-12)
            else:
                assert np.isnan([low[k, c], mean[k, c], high[k, c]]).all()


def test_nothing_seen_gives_nothing() -> None:
    time, low, mean, high = Trace().series()
    assert [len(x) for x in (time, low, mean, high)] == [0, 0, 0, 0]
