"""Holding values between polls, staleness, and one code for short and long blocks."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from gateway.measure.blocks import Block, Readings
from gateway.measure.measure import Measure
from gateway.measure.quality import Quality, Reason
from tests.sites import block, site


def examine_in_parts(measure: Measure, whole: Block, cuts: list[int]) -> Readings:
    """Readings of the block, cut at the given rows and put together again."""
    edges = sorted({0, len(whole), *(c % (len(whole) + 1) for c in cuts)})
    parts = [measure.examine(whole.rows(a, b)) for a, b in itertools.pairwise(edges)]
    fields = [f.name for f in dataclasses.fields(Readings)]
    return Readings(**{f: np.concatenate([getattr(p, f) for p in parts]) for f in fields})


def random_block(seed: int, rows: int) -> Block:
    """Counts that move, with reads that fail and polls that are not due."""
    rng = np.random.default_rng(seed)
    here = site()
    made = block(here, {"a.c1": rng.integers(0, 30001, rows), "a.c2": [9000.0] * rows})
    reasons = rng.choice(
        [Reason.NONE, Reason.NOT_DUE, Reason.NO_COMMUNICATION, Reason.BAD_REPLY],
        size=(rows, 1),
        p=[0.5, 0.3, 0.1, 0.1],
    ).astype(np.uint8)
    reasons = np.broadcast_to(reasons, made.values.shape).copy()
    time = made.time[0] + np.cumsum(rng.uniform(0.5, 4.0, rows))
    return Block(time, np.where(reasons == Reason.NONE, made.values, np.nan), reasons)


@given(st.integers(0, 10_000), st.lists(st.integers(0, 200), max_size=8))
def test_readings_do_not_depend_on_how_history_is_cut(seed: int, cuts: list[int]) -> None:
    whole = random_block(seed, 40)
    once = Measure(site()).examine(whole)
    parts = examine_in_parts(Measure(site()), whole, cuts)
    for field in dataclasses.fields(Readings):
        np.testing.assert_array_equal(getattr(parts, field.name), getattr(once, field.name))


def test_a_value_is_held_while_not_due_and_goes_stale() -> None:
    here = site()
    made = block(here, {"a.c1": [15000] + [np.nan] * 9}, reason=Reason.NOT_DUE)
    reasons = np.broadcast_to(made.reasons[:, :1], made.values.shape).copy()
    seen = Measure(here).examine(Block(made.time, made.values, reasons))
    # Three polls of 1 s, one timeout of 1 s and one second: held up to 5 s after the reading.
    assert seen.quality[:6, 0].tolist() == [Quality.GOOD] * 6
    assert seen.reasons[6:, 0].tolist() == [Reason.STALE] * 4
    assert np.isnan(seen.pressure[6:, 0]).all()
    assert seen.fresh[:, 0].tolist() == [True] + [False] * 9


def test_nothing_is_good_before_the_first_answer() -> None:
    here = site()
    made = block(here, {"a.c1": [np.nan] * 2}, reason=Reason.NOT_READ_YET)
    reasons = np.full(made.values.shape, Reason.NOT_READ_YET, dtype=np.uint8)
    seen = Measure(here).examine(Block(made.time, made.values, reasons))
    assert (seen.reasons == Reason.NOT_READ_YET).all()
    assert not seen.polled.any()
