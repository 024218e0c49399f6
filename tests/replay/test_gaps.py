"""Why a cell is empty, told from the cells alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.measure.quality import Reason
from gateway.replay.gaps import Gaps
from tests.sites import site

NAN = np.nan
POINTS = {"x": {"table": "input", "address": 0}, "y": {"table": "input", "address": 1}}


def two(interval_s: float) -> Gaps:
    """A controller polled every second and one polled every `interval_s`, two points each."""
    here = site(
        {}, {},
        {"a": {"host": "127.0.0.1", "points": POINTS},
         "b": {"host": "127.0.0.1", "points": POINTS, "interval_s": interval_s}},
    )  # fmt: skip
    return Gaps(here, np.array([True, True, True, True]))


def test_one_point_fails_or_all_do() -> None:
    values = np.array([[1.0, 2, 3, 4], [NAN, 2, 3, 4], [NAN, NAN, 3, 4]])
    reasons = two(1.0).block(np.arange(3.0), values).reasons
    assert reasons[:, :2].tolist() == [
        [Reason.NONE, Reason.NONE],
        [Reason.BAD_REPLY, Reason.NONE],
        [Reason.NO_COMMUNICATION, Reason.NO_COMMUNICATION],
    ]
    assert (reasons[:, 2:] == Reason.NONE).all()


def test_points_that_the_file_lacks_do_not_count() -> None:
    gaps = two(1.0)
    gaps._there[1] = False
    reasons = gaps.block(np.arange(2.0), np.array([[1.0, NAN, 3, 4], [NAN, NAN, 3, 4]])).reasons
    assert reasons[0, :2].tolist() == [Reason.NONE, Reason.NOT_READ_YET]
    assert reasons[1, :2].tolist() == [Reason.NO_COMMUNICATION, Reason.NOT_READ_YET]


def test_a_slow_controller_is_not_due_between_its_polls() -> None:
    """Every 3 s; the poll due at 6 s fails."""
    values = np.ones((9, 4))
    values[[1, 2, 4, 5, 6, 7, 8], 2:] = NAN
    codes = two(3.0).block(np.arange(9.0), values).reasons[:, 2].tolist()
    due, missing, failed = Reason.NONE, Reason.NOT_DUE, Reason.NO_COMMUNICATION
    assert codes == [due, missing, missing, due, missing, missing, failed, missing, missing]


@given(
    steps=st.lists(st.sampled_from([0.5, 1.0, 1.0, 1.0, 2.0, 60.0]), min_size=2, max_size=30),
    cut=st.integers(1, 29),
    interval=st.sampled_from([0.5, 1.0, 1.5, 2.0, 5.0, 30.0]),
    seed=st.integers(0, 99),
)
def test_cutting_the_rows_changes_nothing(
    steps: list[float], cut: int, interval: float, seed: int
) -> None:
    time = np.cumsum(steps)
    chance = np.random.default_rng(seed)
    values = np.where(chance.random((len(time), 4)) < 0.2, NAN, 1.0)
    values[chance.random(len(time)) < 0.5, 2:] = NAN
    whole = two(interval).block(time, values).reasons
    gaps, cut = two(interval), min(cut, len(time) - 1)
    parts = [gaps.block(time[k], values[k]).reasons for k in (slice(cut), slice(cut, None))]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


@pytest.mark.parametrize("interval", [1.0, 3.0])
def test_every_empty_cell_has_a_reason_and_no_other(interval: float) -> None:
    chance = np.random.default_rng(5)
    values = np.where(chance.random((200, 4)) < 0.4, NAN, 1.0)
    reasons = two(interval).block(np.arange(200.0), values).reasons
    np.testing.assert_array_equal(reasons != Reason.NONE, np.isnan(values))
