"""How a transducer has fared against the others of its loop: offset, rest, scatter, drift.

Pure arithmetic on trends; the HTTP interface is in `condition.py`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite

import numpy as np

from gateway.diagnose.trend import DAY_S, Rate, rate
from gateway.measure.blocks import Bools, Floats
from gateway.record.trends import Trend

RUNS, STOPS = 0.99, 0.01
"""Mean of "running" in a bucket from which on the fan ran, or stood, all the time."""
FEWEST = 12
"""Blocks from which on a rate is worked out."""
SHORTEST_S = 2 * DAY_S
"""Time from first to last from which on a rate is worked out: the swing of a day is seen twice.
The slope of minutes, told as a rate a year, would be of millions."""
FEWEST_READINGS = 10
"""Readings of a bucket from which on their scatter is told: of one alone it would be zero."""
ALIKE = 0.2
"""Correlation of successive blocks from which on they are joined: the interval of a rate is made
for values that know nothing of each other."""
MOST_ALIKE = 0.9
RECOVERS_S = 900.0
"""Time after a loop check that is left out too."""
RATES = 25
"""Times at which the course of the rate is told."""


@dataclass(frozen=True)
class Faring:
    """(n,) on one time axis (seconds since 1970); Pa, NaN where nothing is known.

    offset: own mean less the middle of the others', while the fan ran. rest: own mean while it
    stood. scatter: own standard deviation within a bucket, while it ran; others: the middle one of
    the others' of the same.
    """

    time: Floats
    offset: Floats
    rest: Floats
    scatter: Floats
    others: Floats


def faring(own: Trend, peers: list[Trend], running: Trend | None) -> Faring:
    """How a transducer fared, from trends with the same buckets; running None: not known."""
    time = np.unique(np.concatenate([trend.time for trend in (own, *peers)]))
    mean, scatter = _on(time, own, own.mean), _on(time, own, _scatter(own))
    means = np.array([_on(time, one, one.mean) for one in peers]).reshape(len(peers), len(time))
    scatters = np.array([_on(time, one, _scatter(one)) for one in peers]).reshape(means.shape)
    runs, stands = _states(time, running)
    return Faring(
        time=time,
        offset=np.where(runs, mean - _middle(means), np.nan),
        rest=np.where(stands, mean, np.nan),
        scatter=np.where(runs, scatter, np.nan),
        others=np.where(runs, _middle(scatters), np.nan),
    )


def left_alone(made: Faring, width: float, checked: Sequence[tuple[float, float]]) -> Faring:
    """Without the buckets, `width` seconds each, in which somebody applied pressures by hand.

    checked: from begin to end of every loop check; the loop takes a while to be itself again.
    """
    kept = np.ones(len(made.time), dtype=np.bool_)
    for begin, end in checked:
        kept &= (made.time + width <= begin) | (made.time > end + RECOVERS_S)
    columns = (made.offset, made.rest, made.scatter, made.others)
    return Faring(made.time, *(np.where(kept, column, np.nan) for column in columns))


def coarser(made: Faring, start: float, end: float, buckets: int) -> Faring:
    """The same in at most so many buckets, from the first that holds something on.

    Means, of scatter the quadratic one.

    A fan that rests each night would leave no long bucket in which it ran all the time; it does
    leave hours.
    """
    width = (end - start) / buckets
    place = np.clip((made.time - start) // width, 0, buckets - 1).astype(np.int64)

    def mean(values: Floats) -> Floats:
        there = np.isfinite(values)
        count = np.bincount(place[there], minlength=buckets)
        total = np.bincount(place[there], weights=values[there], minlength=buckets)
        out: Floats = np.full(buckets, np.nan)
        np.divide(total, count, out=out, where=count > 0)
        return out

    columns = [mean(made.offset), mean(made.rest), np.sqrt(mean(made.scatter**2)),
               np.sqrt(mean(made.others**2))]  # fmt: skip
    known = np.isfinite(columns).any(axis=0)
    first = int(known.argmax()) if known.any() else buckets
    time = start + width * np.arange(buckets, dtype=np.float64)
    return Faring(time[first:], *(column[first:] for column in columns))


def _on(time: Floats, trend: Trend, values: Floats) -> Floats:
    out = np.full(len(time), np.nan)
    out[np.searchsorted(time, trend.time)] = values
    return out


def _scatter(trend: Trend) -> Floats:
    out: Floats = np.where(trend.count >= FEWEST_READINGS, trend.deviation, np.nan)
    return out


def _middle(values: Floats) -> Floats:
    """(n,) median over (m, n) of what is there."""
    if not len(values):
        return np.full(values.shape[1], np.nan)
    ordered = np.sort(values, axis=0)  # NaN goes last
    known = np.isfinite(ordered).sum(axis=0)
    at = np.arange(values.shape[1])
    low = ordered[np.maximum((known - 1) // 2, 0), at]
    high = ordered[np.maximum(known // 2, 0).clip(max=len(values) - 1), at]
    out: Floats = np.where(known > 0, (low + high) / 2, np.nan)
    return out


def _states(time: Floats, running: Trend | None) -> tuple[Bools, Bools]:
    """(n,) where the fan ran all of the bucket, and where it stood."""
    if running is None or not np.isfinite(running.mean).any():
        return np.ones(len(time), dtype=np.bool_), np.zeros(len(time), dtype=np.bool_)
    at = np.isin(time, running.time)
    share = np.full(len(time), np.nan)
    share[at] = running.mean[np.searchsorted(running.time, time[at])]
    return share >= RUNS, share <= STOPS


def drift_of(
    time: Floats, offset: Floats, usual: float, tolerance: float, shortest_s: float = SHORTEST_S
) -> Rate | None:
    """The drift rate of (n,) offsets in Pa, and when they leave `tolerance` beside `usual`.

    None where there is too little, or less than `shortest_s` from first to last. Successive
    buckets are joined until they are hardly alike; by what likeness is left then, the interval is
    widened as for a first-order process.
    """
    there = np.isfinite(offset)
    when, shift = time[there], offset[there] - usual
    if len(when) < FEWEST or when[-1] - when[0] < shortest_s:
        return None
    joined = 1
    while (alike := _likeness(_blocks(when, joined), _blocks(shift, joined))) >= ALIKE and len(
        when
    ) // (2 * joined) >= FEWEST:
        joined *= 2
    made = rate(_blocks(when, joined), _blocks(shift, joined), tolerance)
    return _widened(_from_now(made, when, shift, tolerance), alike) if made else None


def _from_now(made: Rate, when: Floats, shift: Floats, tolerance: float) -> Rate:
    """With the days counted from the end of the line: joined blocks end days before."""
    if not isfinite(made.days_left):
        return made
    last = max(FEWEST, len(when) // 10)
    rise = made.per_day * (when[-last:] - when[-1]) / DAY_S
    now = float(np.median(shift[-last:] - rise))
    left = (np.copysign(tolerance, made.per_day) - now) / made.per_day
    return replace(made, days_left=max(0.0, float(left)))


def rates_of(time: Floats, offset: Floats, start: float, end: float) -> list[tuple[float, Rate]]:
    """How the rate of (n,) offsets in Pa went: each over a third of `start` to `end`, at its end.

    Nothing where there is too little; the tolerance plays no part.
    """
    made = []
    for until in np.linspace(start + (end - start) / 3, end, RATES):
        there = (time > until - (end - start) / 3) & (time <= until)
        if rate_ := drift_of(time[there], offset[there], 0.0, np.inf):
            made.append((float(until), rate_))
    return made


def _widened(made: Rate, alike: float) -> Rate:
    phi = min(max(alike, 0.0), MOST_ALIKE)
    by = float(np.sqrt((1 + phi) / (1 - phi)))
    middle = made.per_day
    return replace(
        made, low=middle + by * (made.low - middle), high=middle + by * (made.high - middle)
    )


def _blocks(values: Floats, joined: int) -> Floats:
    """Means of so many values each; what is left over at the beginning goes."""
    n = len(values) // joined
    out: Floats = values[len(values) - n * joined :].reshape(n, joined).mean(axis=1)
    return out


def _likeness(time: Floats, value: Floats) -> float:
    """Correlation of successive values beside their straight line."""
    x = (time - time[0]) / DAY_S
    left = value - np.polyval(np.polyfit(x, value, 1), x)
    spread = float((left**2).sum())
    return float((left[1:] * left[:-1]).sum()) / spread if spread > 0 else 0.0
