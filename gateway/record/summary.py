"""Count, mean, lowest, highest, spread and worst quality of rows in buckets. Arithmetic only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gateway.measure.blocks import Codes, Floats
from gateway.measure.columns import Ints

NO_ROWS = 255
"""Quality code of a bucket in which nothing was recorded."""


@dataclass(frozen=True)
class Summary:
    """(buckets, series) arrays. count: finite values; NaN and NO_ROWS where there are none.

    deviation: standard deviation of the values themselves (divided by their count, so 0 for a
    single one); NaN also where it is not known.
    """

    count: Ints
    mean: Floats
    low: Floats
    high: Floats
    deviation: Floats
    worst: Codes

    def rows(self, which: NDArray[np.bool_]) -> Summary:
        """The buckets for which `which` is true."""
        return Summary(*(getattr(self, name)[which] for name in FIELDS))


FIELDS = ("count", "mean", "low", "high", "deviation", "worst")


def each_row(values: Floats, qualities: Codes) -> Summary:
    """Every row a bucket of its own; (rows, series) in and out."""
    finite = np.isfinite(values)
    clean = np.where(finite, values, np.nan)
    alone = np.where(finite, 0.0, np.nan)
    return Summary(finite.astype(np.int64), clean, clean, clean, alone, qualities)


def regroup(parts: Summary, bucket: Ints, buckets: int) -> Summary:
    """Parts put together: (n, series) and (n,) rising bucket numbers in, (buckets, series) out."""
    shape = (buckets, parts.mean.shape[1])
    whole = Summary(
        count=np.zeros(shape, dtype=np.int64),
        mean=np.full(shape, np.nan),
        low=np.full(shape, np.nan),
        high=np.full(shape, np.nan),
        deviation=np.full(shape, np.nan),
        worst=np.full(shape, NO_ROWS, dtype=np.uint8),
    )
    if len(bucket) == 0:
        return whole
    starts = np.flatnonzero(np.diff(bucket, prepend=-1))
    at = bucket[starts]
    count = np.add.reduceat(parts.count, starts, axis=0)
    weighted = np.where(parts.count > 0, parts.mean * parts.count, 0.0)
    total = np.add.reduceat(weighted, starts, axis=0)
    whole.count[at] = count
    whole.mean[at] = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    whole.low[at] = np.fmin.reduceat(parts.low, starts, axis=0)
    whole.high[at] = np.fmax.reduceat(parts.high, starts, axis=0)
    apart = parts.mean - whole.mean[bucket]
    squares = np.where(parts.count > 0, parts.count * (parts.deviation**2 + apart**2), 0.0)
    spread = np.add.reduceat(squares, starts, axis=0) / np.maximum(count, 1)
    whole.deviation[at] = np.where(count > 0, np.sqrt(spread), np.nan)
    # NO_ROWS is 255: one more wraps round to 0, so that it loses against every quality.
    worst = np.maximum.reduceat(parts.worst + np.uint8(1), starts, axis=0)
    whole.worst[at] = worst - np.uint8(1)
    return whole


def merge(one: Summary, other: Summary) -> Summary:
    """Two summaries over the same buckets, of different rows."""
    buckets = len(one.mean)
    bucket = np.repeat(np.arange(buckets), 2)
    both = Summary(
        *(
            np.stack([getattr(one, name), getattr(other, name)], axis=1).reshape(2 * buckets, -1)
            for name in FIELDS
        )
    )
    return regroup(both, bucket, buckets)
