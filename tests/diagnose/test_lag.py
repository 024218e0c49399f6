"""How long after its peers a transducer moves, on signals whose lag is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.diagnose.lag import ENOUGH, lag_rows, learn_lag
from gateway.diagnose.picture import blank
from gateway.measure.blocks import Floats
from gateway.measure.columns import columns
from tests.sites import site


def swell(seed: int, shift: float, rows: int = 60) -> Floats:
    """A slow movement of several periods, `shift` rows late."""
    rng = np.random.default_rng(seed)
    at = np.arange(rows) - shift
    waves = zip(rng.uniform(12, 40, 6), rng.uniform(0, 6, 6), strict=True)
    return np.asarray(sum(np.sin(2 * np.pi * at / p + f) for p, f in waves), dtype=np.float64)


@given(st.integers(0, 200), st.floats(-4, 4))
def test_a_known_lag_is_found_to_a_fifth_of_a_row(seed: int, shift: float) -> None:
    own, peers = swell(seed, shift), swell(seed, 0.0)
    (found,) = lag_rows(own[:, None], peers[:, None])
    assert found == pytest.approx(shift, abs=0.2)


@given(st.integers(0, 200), st.integers(-4, 4))
def test_with_noise_it_is_the_step_that_numpy_finds_best(seed: int, shift: int) -> None:
    noise = np.random.default_rng(seed).normal(0, 0.02, (60, 2))
    own, peers = swell(seed, shift) + noise[:, 0], swell(seed, 0.0) + noise[:, 1]
    fits = {k: np.corrcoef(own[5:55], peers[5 - k : 55 - k])[0, 1] for k in range(-5, 6)}
    (found,) = lag_rows(own[:, None], peers[:, None])
    assert abs(found - max(fits, key=lambda k: fits[k])) <= 0.5


def test_noise_alone_gaps_and_standstill_tell_nothing() -> None:
    rng = np.random.default_rng(3)
    own = rng.normal(0, 1, (60, 3))
    own[:, 1] = 5.0
    peers = rng.normal(0, 1, (60, 3))
    own[10, 2] = np.nan
    assert np.isnan(lag_rows(own, peers)).all()
    assert np.isnan(lag_rows(own[:10], peers[:10])).all()


def test_the_picture_keeps_the_mean() -> None:
    picture = blank(columns(site()))
    for value in (1.0, 2.0, np.nan, 3.0):
        learn_lag(picture, np.array([True, False]), np.array([value, 9.0]))
    assert picture.lag.tolist() == [2.0, 0.0]
    assert picture.lag_count.tolist() == [3.0, 0.0]
    assert ENOUGH > 3
