"""What the rows of one stretch of time look like: noise, short excursions, a capped top.

Pure functions on a table of successive good readings. The noise is taken from the smaller part of
the steps, so that neither a door nor a spike every few seconds makes a transducer look noisy.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Ints
from gateway.measure.hold import zeroed

KEPT = 0.6
"""Share of the steps, the smaller ones, that the noise is taken from."""
MEAN_OF_KEPT = 0.39663
"""Mean of the smaller 60 % of |z| for a normal z: 2 (f(0) - f(0.84162)) / 0.6, f its density."""
TAIL = 3
"""Rows before a stretch that are needed to see an excursion at its beginning."""
BEYOND_PEERS = 3.0
"""Times by which an own excursion must exceed the peers' at the same rows (common practice)."""


@dataclass(frozen=True)
class Stretch:
    """(TAIL + n, T) successive good readings, Pa, packed to the front; NaN behind them.

    The first TAIL rows are the last of the stretch before (NaN where there were none); `count`
    (T,) does not count them. peers: the median of the loop's other good members at these rows.
    """

    own: Floats
    peers: Floats
    count: Ints

    def after(self) -> Floats:
        """(2, TAIL, T) last rows of both, for the stretch that follows."""
        if (self.count == len(self.own) - TAIL).all():
            return np.stack([self.own[-TAIL:], self.peers[-TAIL:]])
        rows = self.count + np.arange(TAIL)[:, None]
        return np.stack([np.take_along_axis(a, rows, 0) for a in (self.own, self.peers)])


@dataclass(frozen=True)
class Look:
    """(T,) what a stretch looks like, Pa; NaN where there is nothing to tell from."""

    noise: Floats
    """Standard deviation of the fast noise."""
    level: Floats
    """Logarithm of its variance, Pa2, with that of a count's rounding."""
    white: Floats
    """Pa2, variance of the mean that the fast noise and the rounding give."""
    top: Floats
    own: Floats
    peers: Floats
    """Medians over the rows that have both, so that spikes do not count."""
    gap: Floats
    """Median of own less peers'."""
    mean_gap: Floats
    square: Floats
    """Mean, and mean square in Pa2, of the same."""
    slope: Floats
    """Of own against peers' readings, row by row."""

    def about(self, centre: Floats) -> Floats:
        """(T,) Pa2, the same about another centre."""
        return np.maximum(self.square - 2 * centre * self.mean_gap + centre**2, 0.0)


def pack(own: Floats, peers: Floats, before: Floats) -> Stretch:
    """A stretch from (n, T) readings, NaN where there is none, and the (2, TAIL, T) rows before."""
    there = np.isfinite(own)
    if not there.all():
        order = np.argsort(~there, axis=0, kind="stable")
        own, peers = (np.take_along_axis(a, order, 0) for a in (own, peers))
    return Stretch(
        np.concatenate([before[0], own]), np.concatenate([before[1], peers]), there.sum(axis=0)
    )


def look(stretch: Stretch, resolution: Floats) -> Look:
    """The looks of a stretch. resolution: (T,) Pa a count."""
    own, peers = stretch.own[TAIL:], stretch.peers[TAIL:]
    apart = own - peers
    both = np.isfinite(apart)
    n = np.maximum(both.sum(axis=0), 1)
    x, y, d = (np.where(both, values, 0.0) for values in (own, peers, apart))
    mean_x, mean_y = x.sum(axis=0) / n, y.sum(axis=0) / n
    variance = (y**2).sum(axis=0) / n - mean_y**2
    covariance = (x * y).sum(axis=0) / n - mean_x * mean_y
    three = np.concatenate([np.where(both, a, np.nan) for a in (own, peers, apart)], axis=1)
    middles = middle(three).reshape(3, -1)
    fast, rounding = noise(stretch), resolution**2 / 12
    with np.errstate(invalid="ignore", divide="ignore"):
        level = np.log(fast**2 + rounding)
        white = fast**2 / stretch.count + rounding
    return Look(
        noise=fast, level=level, white=white,
        top=np.fmax.reduce(own, axis=0, initial=-np.inf),
        own=middles[0], peers=middles[1], gap=middles[2],
        mean_gap=d.sum(axis=0) / n, square=(d**2).sum(axis=0) / n,
        slope=covariance / np.where(variance > 0, variance, np.nan),
    )  # fmt: skip


def middle(values: Floats) -> Floats:
    """(T,) median of each column of (n, T), NaN left out; NaN where nothing is left."""
    ordered = np.sort(values, axis=0)
    if len(values) and np.isfinite(ordered[-1]).all():  # NaN sorts last
        whole: Floats = (ordered[(len(values) - 1) // 2] + ordered[len(values) // 2]) / 2
        return whole
    there = np.isfinite(ordered).sum(axis=0)
    low = np.take_along_axis(ordered, (np.maximum(there - 1, 0) // 2)[None], 0)
    high = np.take_along_axis(ordered, np.minimum(there // 2, len(values) - 1)[None], 0)
    return np.where(there > 0, (low + high)[0] / 2, np.nan)


def noise(stretch: Stretch) -> Floats:
    """(T,) Pa, standard deviation of the fast noise; NaN with fewer than three readings.

    From second differences, so that a steady rise or fall is no noise.
    """
    own = stretch.own[TAIL - 2 :]
    steps = np.sort(np.abs(own[2:] - 2 * own[1:-1] + own[:-2]), axis=0)
    there = np.isfinite(steps).sum(axis=0)
    kept = np.floor(KEPT * there).astype(np.int64)
    sums = np.cumsum(zeroed(steps), axis=0)
    total = sums[np.maximum(kept - 1, 0), np.arange(sums.shape[1])]
    with np.errstate(invalid="ignore", divide="ignore"):
        sd: Floats = total / kept / MEAN_OF_KEPT / np.sqrt(6)
    return np.where(kept > 0, sd, np.nan)


def excursions(values: Floats) -> Floats:
    """(m - 3, T) Pa: how far one or two rows stand out from those on both sides, with its sign.

    values: (m, T). Entry k is the excursion that ends at row k + 2; 0 where there is none.
    """
    a, b, c, d = values[:-3], values[1:-2], values[2:-1], values[3:]
    high = np.fmax(c - np.maximum(b, d), np.minimum(b, c) - np.maximum(a, d))
    low = np.fmax(np.minimum(b, d) - c, np.minimum(a, d) - np.maximum(b, c))
    signed = np.where(high >= low, high, -low)
    return np.where(np.fmax(high, low) > 0, signed, 0.0)


def spikes(stretch: Stretch, least: Floats) -> tuple[Floats, Floats]:
    """(T,) number of excursions beyond `least` (T,) that the peers do not show, and the largest.

    Nothing is counted where the peers are not known.
    """
    own = excursions(stretch.own)
    others = np.abs(excursions(stretch.peers))
    told = np.isfinite(stretch.peers[3:]) & np.isfinite(stretch.peers[:-3])
    size = np.where(told & (np.abs(own) > BEYOND_PEERS * others), np.abs(own), 0.0)
    found = size > least
    return found.sum(axis=0).astype(np.float64), np.where(found, size, 0.0).max(axis=0, initial=0.0)


@dataclass(frozen=True)
class Top:
    """(T,) rows of a stretch about its highest reading."""

    called: Floats
    """Rows at which the peers call for more than the top."""
    resting: Floats
    """Those of them at which it rests at the top."""
    pile: Floats
    """Rows close below the top, at whatever the peers read."""


def top(stretch: Stretch, gap: Floats, margin: Floats, width: Floats) -> Top:
    """What the top of a stretch looks like.

    gap: (T,) usual difference from the peers. margin: (T,) how far above the top the peers must
    call. width: (T,) how near the top counts as at it; a third of that is close.
    """
    own, expected = stretch.own[TAIL:], stretch.peers[TAIL:] + gap
    highest = np.fmax.reduce(own, axis=0)
    called: Bools = expected > highest + margin
    rows = called, called & (own >= highest - width), own >= highest - width / 3
    return Top(*(row.sum(axis=0).astype(np.float64) for row in rows))
