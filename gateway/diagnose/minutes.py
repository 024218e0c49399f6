"""Rows gathered into minutes: the pace at which slow faults are judged.

A minute is a bucket of absolute time, so that cutting the history changes nothing; it is closed by
the first row of a later one. Means over a minute are nearly independent where single readings are
not, and cost almost nothing to look at.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns, Ints, by_size
from gateway.measure.hold import shifted
from gateway.measure.quality import Quality

WIDTH_S = 60.0


@dataclass(frozen=True)
class Moments:
    """First and second moments of a transducer (x) and another quantity (y), all (M, T), Pa."""

    count: Floats
    x: Floats
    y: Floats
    """Means."""
    xx: Floats
    yy: Floats
    xy: Floats
    """Variances and covariance (population)."""


@dataclass(frozen=True)
class Minutes:
    """M closed minutes; T transducers, L loops. NaN where a minute had no good reading.

    `start`: (M,) seconds since 1970. `row`: (M,) row of the block that closed the minute, the
    moment the live daemon knows of it.
    """

    start: Floats
    row: Ints
    count: Floats
    """(M, T) fresh readings that were not bad."""
    bad: Floats
    """(M, T) fresh readings that were bad."""
    mean: Floats
    """(M, T) Pa."""
    sd: Floats
    """(M, T) Pa, population standard deviation within the minute."""
    rough: Floats
    """(M, T) Pa, root mean square of successive differences: fast noise is rough / sqrt 2."""
    low: Floats
    high: Floats
    """(M, T) Pa."""
    changes: Floats
    """(M, T) readings that differ from the one before."""
    peer: Moments
    """Against the median of the loop's other good transducers at the same rows."""
    shown: Moments
    """Against the controller's own value at the same rows."""
    feedback: Floats
    combined: Floats
    setpoint: Floats
    output: Floats
    """(M, L)."""
    running: Floats
    """(M, L) share of the minute that the fan ran; NaN where the site file names no such point."""

    def __len__(self) -> int:
        return len(self.start)


PAIRED = ("n", "x", "y", "xx", "yy", "xy")
SUMS = (
    "count", "bad", "mean", "square", "rough", "pairs", "changes",
    *(f"peer_{name}" for name in PAIRED), *(f"shown_{name}" for name in PAIRED),
)  # fmt: skip
LOOP_SUMS = ("feedback", "combined", "setpoint", "output", "running")


def width_of(columns: Columns) -> float:
    """Seconds of a "minute": longer where a controller is polled more seldom than that."""
    return max(WIDTH_S, float(columns.controllers.interval.max(initial=0.0)))


class Gather:
    """Turns readings into the minutes they close; remembers the unfinished minute."""

    def __init__(self, columns: Columns, width_s: float | None = None) -> None:
        self.width = width_s or width_of(columns)
        t, n_loops = len(columns.transducers.ids), len(columns.loops.ids)
        self._groups = by_size(columns.loops)
        self._bucket: float = np.nan
        self._last: Floats = np.full(t, np.nan)
        self._t_sums = np.zeros((len(SUMS), t))
        self._low, self._high = np.full(t, np.inf), np.full(t, -np.inf)
        self._l_sums = np.zeros((2 * len(LOOP_SUMS), n_loops))

    def examine(self, readings: Readings) -> Minutes:
        """The minutes that these rows close, in order."""
        t_rows, l_rows, lows, highs = self._row_sums(readings)
        bucket = np.floor(readings.time / self.width)
        edges = np.flatnonzero(np.diff(bucket, prepend=bucket[0]) != 0)
        if bucket[0] != self._bucket and not np.isnan(self._bucket):
            edges = np.concatenate([[0], edges])
        closed, start, names = [], 0, []
        for stop in [*edges.tolist(), len(bucket)]:
            part = slice(start, stop)
            self._t_sums = _added(self._t_sums, t_rows[part])
            self._l_sums = _added(self._l_sums, l_rows[part])
            self._low = np.minimum(self._low, lows[part].min(axis=0, initial=np.inf))
            self._high = np.maximum(self._high, highs[part].max(axis=0, initial=-np.inf))
            if stop < len(bucket):
                names.append(bucket[stop - 1] if stop > start else self._bucket)
                closed.append((self._t_sums, self._l_sums, self._low, self._high))
                self._clear()
            start = stop
        self._bucket = float(bucket[-1])
        start_s = np.array(names, dtype=np.float64) * self.width
        sums = [
            np.array([c[k] for c in closed]).reshape(len(closed), *empty.shape)
            for k, empty in enumerate((self._t_sums, self._l_sums, self._low, self._high))
        ]
        return _minutes(start_s, edges.astype(np.int64), *sums)

    def _clear(self) -> None:
        self._t_sums, self._l_sums = np.zeros_like(self._t_sums), np.zeros_like(self._l_sums)
        self._low = np.full_like(self._low, np.inf)
        self._high = np.full_like(self._high, -np.inf)

    def _row_sums(self, r: Readings) -> tuple[Floats, Floats, Floats, Floats]:
        """(R, sums, T) and (R, sums, L) contributions of every row; (R, T) lows and highs."""
        good = r.fresh & (r.quality < Quality.BAD)
        value = np.where(good, r.pressure, 0.0)
        last = _previous(r.pressure, good, self._last)
        step = np.where(good, r.pressure - last, np.nan)
        self._last = _previous_after(r.pressure, good, last)
        paired = np.isfinite(step)
        step = np.where(paired, step, 0.0)
        peer = peers(r.pressure, good, self._groups)
        t_rows = np.stack(
            [
                good, r.fresh & (r.quality == Quality.BAD), value, value**2, step**2, paired,
                paired & (step != 0),
                *_products(r.pressure, peer, good),
                *_products(r.pressure, r.controller_value, good),
            ],
            axis=1,
        ).astype(np.float64)  # fmt: skip
        loops = np.stack([getattr(r, name) for name in LOOP_SUMS], axis=1)
        there = np.isfinite(loops)
        l_rows = np.concatenate([np.where(there, loops, 0.0), there], axis=1).astype(np.float64)
        lows = np.where(good, r.pressure, np.inf)
        highs = np.where(good, r.pressure, -np.inf)
        return t_rows, l_rows, lows, highs


def peers(pressure: Floats, good: Bools, groups: tuple[tuple[Ints, Ints], ...]) -> Floats:
    """(R, T) median of the other good transducers of the loop, NaN where there is none.

    A transducer in several loops is compared within the last of them.
    """
    out = np.full(pressure.shape, np.nan)
    values = np.where(good, pressure, np.nan)
    for _, members in groups:
        m = members.shape[1]
        if m == 2:
            out[:, members] = values[:, members[:, ::-1]]
            continue
        for k in range(m if m > 1 else 0):
            others = np.sort(values[:, np.delete(members, k, axis=1)], axis=-1)
            there = np.isfinite(others).sum(axis=-1)
            # NaN sorts last, so what is there stands in front; NaN comes out when nothing is.
            low = np.take_along_axis(others, (np.maximum(there - 1, 0) // 2)[..., None], -1)
            high = np.take_along_axis(others, (there // 2)[..., None], -1)
            out[:, members[:, k]] = ((low + high) / 2)[..., 0]
    return out


def _products(x: Floats, y: Floats, good: Bools) -> list[Floats | Bools]:
    """Contributions to the sums of PAIRED, each (R, T); nothing where either is missing."""
    both = good & np.isfinite(y)
    x, y = np.where(both, x, 0.0), np.where(both, y, 0.0)
    return [both, x, y, x * x, y * y, x * y]


def _moments(t: dict[str, Floats], prefix: str) -> Moments:
    n, x, y, xx, yy, xy = (t[f"{prefix}_{name}"] for name in PAIRED)
    x, y = x / n, y / n
    return Moments(n, x, y, xx / n - x * x, yy / n - y * y, xy / n - x * y)


def _previous(values: Floats, good: Bools, before: Floats) -> Floats:
    """(R, T) the good value before each row."""
    rows = np.arange(len(values))[:, None]
    latest = np.maximum.accumulate(np.where(good, rows, -1), axis=0)
    latest = shifted(latest, np.full(values.shape[1], -1))
    held = np.take_along_axis(values, np.maximum(latest, 0), axis=0)
    return np.where(latest >= 0, held, before)


def _previous_after(values: Floats, good: Bools, previous: Floats) -> Floats:
    """(T,) the good value before the row after the last one."""
    after: Floats = np.where(good[-1], values[-1], previous[-1])
    return after


def _added(carry: Floats, rows: Floats) -> Floats:
    """Carry plus all rows, one after the other: the same digits however the rows are cut."""
    total: Floats = np.add.reduce(np.concatenate([carry[None], rows]), axis=0)
    return total


def _minutes(
    start: Floats, row: Ints, t_sums: Floats, l_sums: Floats, low: Floats, high: Floats
) -> Minutes:
    t = {name: t_sums[:, k] for k, name in enumerate(SUMS)}
    n = len(LOOP_SUMS)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = t["mean"] / t["count"]
        variance = t["square"] / t["count"] - mean**2
        rough = np.sqrt(t["rough"] / t["pairs"])
        peer, shown = _moments(t, "peer"), _moments(t, "shown")
        loops = l_sums[:, :n] / l_sums[:, n:]
    return Minutes(
        start=start,
        row=row,
        count=t["count"],
        bad=t["bad"],
        mean=mean,
        sd=np.sqrt(np.maximum(variance, 0.0)),
        rough=rough,
        low=np.where(np.isfinite(low), low, np.nan),
        high=np.where(np.isfinite(high), high, np.nan),
        changes=t["changes"],
        peer=peer,
        shown=shown,
        **{name: loops[:, k] for k, name in enumerate(LOOP_SUMS)},
    )
