"""Load count and regularity against their check values."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest

from gateway.diagnose.oscillation import AMPLITUDE, LOADS, LONGEST_S, Swings

ONE = np.array([0])


def half_sine(amplitude: float, half: float) -> float:
    """Integral of the absolute value over half a period: 2 a / w, exact."""
    return 2 * amplitude * half / pi


def swings(amplitude: float, halves: list[float]) -> Swings:
    made = Swings(np.array([1.0]))
    for half in halves:
        made.cross(ONE, np.array([half]), np.array([half_sine(amplitude, half)]))
    return made


def test_a_sustained_swing_is_counted_out_at_the_eleventh_half_period() -> None:
    # Hagglund's load count, T_sup = 50 T_u, limit 10: x = 10.466 after 11 (formula from secondary
    # texts, numbers from memory, sum recomputed).
    ten = swings(1.01 * AMPLITUDE, [6.0] * 10)
    eleven = swings(1.01 * AMPLITUDE, [6.0] * 11)
    assert ten.loads[0] < LOADS < eleven.loads[0]
    assert eleven.loads[0] == pytest.approx(10.466, abs=0.001)


def test_below_the_least_amplitude_nothing_is_counted() -> None:
    assert swings(0.99 * AMPLITUDE, [6.0] * 50).loads[0] == 0


def test_very_slow_swings_are_not_counted() -> None:
    assert swings(5 * AMPLITUDE, [LONGEST_S + 1] * 30).loads[0] == 0


def test_period_and_amplitude_of_a_sine() -> None:
    made = swings(7.0, [23.5] * 12)
    assert made.period()[0] == pytest.approx(47)
    assert made.amplitude()[0] == pytest.approx(7)


def test_regularity_separates_a_sine_from_noise() -> None:
    # Thornhill: above 1 for an oscillation (from memory); here on the signal's own crossings.
    rng = np.random.default_rng(1)
    sine = swings(7.0, (23.5 + rng.normal(0, 1, 40)).tolist())
    assert sine.regularity()[0] > 4
    noise = swings(7.0, rng.exponential(20, 4000).tolist())
    assert noise.regularity()[0] < 0.8


def test_regularity_is_not_known_before_ten() -> None:
    assert swings(7.0, [20.0] * 9).regularity()[0] == 0
    assert swings(7.0, [20.0] * 10).regularity()[0] > 4


def test_clearing_one_loop_leaves_the_other() -> None:
    made = Swings(np.array([1.0, 1.0]))
    both = np.array([0, 1])
    for _ in range(12):
        made.cross(both, np.array([6.0, 8.0]), np.array([60.0, 80.0]))
    made.clear(np.array([True, False]))
    assert made.loads[0] == 0 < made.loads[1]
    assert np.isnan(made.period()[0])
    assert made.period()[1] == pytest.approx(16)
