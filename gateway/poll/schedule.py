"""When to poll, and when to try a connection again: arithmetic only.

Ticks stand on a grid: tick n is due at `start + n * interval_s`, multiplied and never added up, so
that nothing drifts however long it runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import floor

LONGEST_SPREAD_S = 10.0
"""First polls come within this time, however long the interval."""
FIRST_BACKOFF_S = 0.5
LONGEST_BACKOFF_S = 30.0


def due(start: float, interval_s: float, number: int) -> float:
    """When tick `number` (0, 1, ...) is due, on the clock of `start`."""
    return start + number * interval_s


def following(start: float, interval_s: float, number: int, now: float) -> tuple[int, int]:
    """The tick to wait for after tick `number` is done, and how many were missed meanwhile.

    It is due after `now`: ticks that fell due while the last one was still busy are missed, not
    made up for.
    """
    first = number + 1
    upcoming = max(first, floor((now - start) / interval_s))
    while due(start, interval_s, upcoming) <= now:
        upcoming += 1
    return upcoming, upcoming - first


def stagger(intervals: Sequence[float]) -> list[float]:
    """Start offsets, s, one for each controller, that keep polls from coming all at once.

    Controllers with the same interval are spread evenly over it, or over LONGEST_SPREAD_S where
    that is shorter. Each offset is at least 0 and less than its interval.
    """
    offsets = [0.0] * len(intervals)
    for interval in set(intervals):
        members = [i for i, other in enumerate(intervals) if other == interval]
        spread = min(interval, LONGEST_SPREAD_S)
        for rank, i in enumerate(members):
            offsets[i] = spread * rank / len(members)
    return offsets


def backoff(failures: int, luck: float) -> float:
    """Seconds to wait before the next try, after `failures` (1, 2, ...) failed ones in a row.

    Doubles from FIRST_BACKOFF_S up to LONGEST_BACKOFF_S; `luck` (0 to 1, random) takes off up to
    half, so that controllers lost together do not come back together.
    """
    doublings = min(max(failures - 1, 0), 10)
    return min(LONGEST_BACKOFF_S, FIRST_BACKOFF_S * 2.0**doublings) * (1.0 - luck / 2.0)
