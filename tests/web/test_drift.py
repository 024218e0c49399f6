"""How a transducer fared, from trends made by hand: states of the fan, the others, the drift."""

from __future__ import annotations

import numpy as np
import pytest

from gateway.diagnose.trend import DAY_S
from gateway.measure.blocks import Floats
from gateway.record.trends import Trend
from gateway.web.drift import RATES, coarser, drift_of, faring, left_alone, rates_of

from .archive import START

NAN = float("nan")
YEAR_DAYS = 365.25


def trend(
    mean: list[float],
    deviation: list[float] | None = None,
    *,
    skip: int = 0,
    every: float = 3600.0,
    count: int = 3600,
) -> Trend:
    """Buckets of so many seconds and readings from START on; skip: the first are not there."""
    n = len(mean)
    values = np.array(mean)
    return Trend(
        time=START + every * np.arange(skip, n + skip, dtype=np.float64),
        count=np.full(n, count, dtype=np.int64),
        mean=values, low=values, high=values,
        deviation=np.array(deviation if deviation is not None else [0.0] * n),
        worst=np.zeros(n, dtype=np.uint8), width=every,
    )  # fmt: skip


def known(values: Floats) -> list[float | None]:
    return [None if np.isnan(v) else float(v) for v in values]


def test_offset_while_the_fan_runs_and_rest_while_it_stands() -> None:
    own = trend([51.0, 0.5, 53.0, NAN, 52.0])
    other = trend([50.0, 0.0, 50.0, 50.0, 50.0])
    made = faring(own, [other], trend([1.0, 0.0, 1.0, 1.0, 0.4]))
    assert known(made.offset) == [1.0, None, 3.0, None, None]
    assert known(made.rest) == [None, 0.5, None, None, None]


def test_the_middle_of_the_others_is_of_those_that_are_there() -> None:
    own = trend([10.0, 10.0, 10.0, 10.0])
    others = [trend([1.0, NAN, 3.0, NAN]), trend([2.0, 5.0, 9.0, NAN]), trend([8.0, 7.0, 4.0, NAN])]
    made = faring(own, others, None)
    # Medians by hand: of 1 2 8, of 5 7, of 3 4 9, of none.
    assert known(made.offset) == [8.0, 4.0, 6.0, None]


def test_what_was_applied_in_a_check_is_no_offset() -> None:
    """A check from 1 h 30 to 2 h 50: its hours go, and the quarter of an hour after it."""
    own, other = trend([50.0, 51.0, 90.0, 70.0, 52.0]), trend([50.0, 50.0, 30.0, 40.0, 50.0])
    made = faring(own, [other], None)
    left = left_alone(made, 3600.0, [(START + 5400, START + 10_200)])
    assert known(left.offset) == [0.0, None, None, None, 2.0]
    assert known(left.scatter) == [0.0, None, None, None, 0.0]
    assert left.time.tolist() == made.time.tolist()
    assert known(left_alone(made, 3600.0, []).offset) == [0.0, 1.0, 60.0, 30.0, 2.0]


def test_buckets_that_only_one_has_are_not_compared() -> None:
    made = faring(trend([10.0, 11.0, 12.0]), [trend([1.0, 2.0], skip=1)], trend([1.0, 1.0], skip=1))
    assert made.time.tolist() == [START, START + 3600, START + 7200]
    assert known(made.offset) == [None, 10.0, 10.0]


def test_scatter_beside_that_of_the_others() -> None:
    own, other = trend([1.0, 1.0], [0.3, 0.9]), trend([1.0, 1.0], [0.2, 0.2])
    made = faring(own, [other], trend([1.0, 0.0]))
    assert known(made.scatter) == [0.3, None]
    assert known(made.others) == [0.2, None]


def test_alone_there_is_no_offset() -> None:
    made = faring(trend([1.0, 2.0]), [], None)
    assert known(made.offset) == [None, None]
    assert drift_of(made.time, made.offset, 0.0, 2.5) is None


def creeping(per_year: float, phi: float, seed: int, days: int = 90) -> tuple[Floats, Floats]:
    """Offsets every six hours that creep, under noise with a correlation of `phi` between them."""
    rng = np.random.default_rng(seed)
    n = 4 * days
    noise = np.zeros(n)
    for k in range(1, n):
        noise[k] = phi * noise[k - 1] + rng.normal(0, 0.3)
    time = 21_600.0 * np.arange(n, dtype=np.float64)
    return START + time, per_year * time / (YEAR_DAYS * DAY_S) + noise


@pytest.mark.parametrize("phi", [0.0, 0.8])
def test_a_drift_is_found_with_the_day_that_it_leaves_the_tolerance(phi: float) -> None:
    # 8 Pa a year: 1.97 Pa in 90 days; from there to 2.5 Pa another 24 days.
    made = drift_of(*creeping(8.0, phi, seed=3), usual=0.0, tolerance=2.5)
    assert made is not None
    assert made.low * YEAR_DAYS < 8.0 < made.high * YEAR_DAYS
    assert made.low > 0
    assert made.days_left == pytest.approx(24, abs=12)


def test_noise_that_hangs_together_is_rarely_taken_for_a_drift() -> None:
    found = [drift_of(*creeping(0.0, 0.9, seed), usual=0.0, tolerance=2.5) for seed in range(40)]
    real = [one for one in found if one is not None and (one.low > 0 or one.high < 0)]
    # A 95 % interval leaves zero out in 2 of 40; binomial, p = 0.05: more than 6 in 1.4 % of tries.
    assert len(real) <= 6


def test_beside_the_usual_offset() -> None:
    time, value = creeping(8.0, 0.0, seed=3)
    plain = drift_of(time, value, usual=0.0, tolerance=2.5)
    beside = drift_of(time, value + 30.0, usual=30.0, tolerance=2.5)
    assert plain is not None
    assert beside is not None
    assert beside.days_left == pytest.approx(plain.days_left, abs=0.1)


def test_too_little_says_nothing() -> None:
    time, value = creeping(8.0, 0.0, seed=3)
    assert drift_of(time[:11], value[:11], 0.0, 2.5) is None
    assert drift_of(time, np.full(len(time), NAN), 0.0, 2.5) is None


def test_minutes_tell_no_drift() -> None:
    """The first hour of a gateway, a reading a second: its slope says nothing of a year."""
    rng = np.random.default_rng(5)
    seconds = np.arange(3600.0)
    offset = 2.7 + 0.3 * np.sin(seconds / 300) + rng.normal(0, 0.1, 3600)
    assert drift_of(START + seconds, offset, 0.0, 2.5) is None
    assert rates_of(START + seconds, offset, START, START + 3600) == []
    assert drift_of(START + 24 * seconds, offset, 0.0, 2.5) is None
    assert drift_of(START + 50 * seconds, offset, 0.0, 2.5) is not None


def test_single_readings_have_no_scatter() -> None:
    own, other = (trend([1.0, 1.0], [0.0, 0.0], every=1.0, count=1) for _ in range(2))
    made = faring(own, [other], None)
    assert known(made.offset) == [0.0, 0.0]
    assert known(made.scatter) == known(made.others) == [None, None]


def test_holes_are_passed_over() -> None:
    time, value = creeping(8.0, 0.0, seed=3)
    value[80:200] = NAN
    made = drift_of(time, value, 0.0, 2.5)
    assert made is not None
    assert made.per_day * YEAR_DAYS == pytest.approx(8.0, rel=0.1)


def test_days_are_days() -> None:
    time, value = creeping(36.525, 0.0, seed=3)
    made = drift_of(time, value, 0.0, 2.5)
    assert made is not None
    assert made.per_day == pytest.approx(0.1, rel=0.05)
    assert time[4] - time[0] == DAY_S


def test_the_course_of_a_rate_that_changes() -> None:
    # Still for 60 days, then 0.1 Pa a day for 30.
    days = np.arange(0, 90, 0.25)
    noise = np.random.default_rng(4).normal(0, 0.02, len(days))
    offset = np.where(days < 60, 0.0, 0.1 * (days - 60)) + noise
    made = rates_of(START + DAY_S * days, offset, START, START + 90 * DAY_S)
    assert len(made) == RATES
    first, last = made[0][1], made[-1][1]
    assert first.low < 0 < first.high
    assert last.low < 0.1 < last.high
    assert last.per_day == pytest.approx(0.1, abs=0.005)
    assert made[-1][0] == START + 90 * DAY_S
    assert rates_of(START + DAY_S * days[:10], offset[:10], START, START + 90 * DAY_S) == []


def test_a_fan_that_rests_every_night_still_shows_its_offset_over_months() -> None:
    hours = 24 * 90
    own = trend([10.0 + 0.001 * k for k in range(hours)], [3.0] * hours)
    other, runs = trend([8.0] * hours, [4.0] * hours), [0.0, *[1.0] * 23] * 90
    made = coarser(faring(own, [other], trend(runs)), START, START + 3600 * hours, 90)
    assert len(made.time) == 90
    # The mean over hours 1 to 23 of each day.
    assert made.offset[0] == pytest.approx(2.0 + 0.001 * 12)
    assert made.rest[1] == pytest.approx(10.0 + 0.001 * 24)
    assert (made.scatter[5], made.others[5]) == (pytest.approx(3.0), pytest.approx(4.0))
    late = coarser(
        faring(trend([1.0] * 24, skip=48), [trend([0.0] * 24, skip=48)], None),
        START, START + 3600 * 96, 4,
    )  # fmt: skip
    assert late.time.tolist() == [START + 48 * 3600, START + 72 * 3600]
    assert known(late.offset) == [1.0, None]


def test_days_are_counted_from_the_last_offset() -> None:
    # Alike from hour to hour, so that they are joined by days; at the end 9 Pa of 10 at 1 Pa a day.
    hours = np.arange(0, 24 * 9, 1.0)
    swing = 0.3 * np.sin(hours / 24 * 2 * np.pi)
    made = drift_of(START + 3600 * hours, hours / 24 + swing, 0.0, 10.0)
    assert made
    assert made.days_left == pytest.approx(1.0, abs=0.3)
    over = drift_of(START + 3600 * hours, 1.3 * hours / 24 + swing, 0.0, 10.0)
    assert over
    assert over.days_left == 0.0
