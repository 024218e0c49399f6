"""Sequential tests: CUSUM, and its threshold from the wanted time between false alarms.

CUSUM: Page's two one-sided sums on a standardised residual, S = max(0, S + z - k), signal when
S > h (strict), as in the NIST/SEMATECH e-Handbook 6.3.2.3. Its average run length by Siegmund's
approximation (from memory; tests compare it with published tables), good to about 1 % for shifts
up to one standard deviation.
"""

from __future__ import annotations

from functools import lru_cache
from math import exp

import numpy as np
from scipy.optimize import brentq

from gateway.measure.blocks import Bools, Floats

CORRECTION = 1.166
"""Siegmund's allowance for the overshoot of a normal random walk."""

OVERSHOOT = 0.028
"""What the allowance misses as k grows, a share of k squared: fitted to the integral equation of
the run length (in the tests), which it then meets within 4 % up to k = 2."""


def one_sided_arl(shift: float, k: float, h: float) -> float:
    """Mean samples until a one-sided CUSUM signals, for a shift in standard deviations."""
    drift, b = shift - k, h + CORRECTION
    if abs(drift * b) < 1e-6:
        return b**2
    if -2 * drift * b > 700:
        return float("inf")
    return (exp(-2 * drift * b) + 2 * drift * b - 1) / (2 * drift**2)


def two_sided_arl(shift: float, k: float, h: float) -> float:
    """The same for both sums together: 1/ARL = 1/ARL+ + 1/ARL-."""
    return 1 / (1 / one_sided_arl(shift, k, h) + 1 / one_sided_arl(-shift, k, h))


@lru_cache(maxsize=4096)
def threshold(k: float, arl0: float) -> float:
    """Threshold h at which a two-sided CUSUM signals once in `arl0` samples without any shift.

    ValueError when arl0 is below 10 samples, where no CUSUM makes sense.
    """
    if not arl0 >= 10:
        raise ValueError(f"wanted run length {arl0} samples: at least 10")

    def off(h: float) -> float:
        return float(np.log(two_sided_arl(0.0, k, h) / arl0))

    top = 10.0
    while off(top) < 0:
        top *= 2
    h = float(brentq(off, 0.0, top)) if off(0.0) < 0 else 0.0
    return h + OVERSHOOT * k**2


class Cusum:
    """N two-sided CUSUMs side by side, with the time since which the sum has been rising."""

    def __init__(self, n: int) -> None:
        self.up: Floats = np.zeros(n)
        self.down: Floats = np.zeros(n)
        self.up_since: Floats = np.full(n, np.nan)
        self.down_since: Floats = np.full(n, np.nan)

    def step(self, time: float, z: Floats, k: Floats) -> None:
        """One sample of each, (N,) in standard deviations; NaN leaves a sum as it is."""
        there = np.isfinite(z)
        for sign, sums, since in ((1, self.up, self.up_since), (-1, self.down, self.down_since)):
            grown = np.maximum(0.0, sums + sign * z - k)
            started = there & (grown > 0) & (sums == 0)
            sums[there] = grown[there]
            since[started] = time
            since[there & (grown == 0)] = np.nan

    def signal(self, h: Floats) -> Bools:
        """(N,) where either sum is above its threshold."""
        out: Bools = (self.up > h) | (self.down > h)
        return out

    def since(self) -> Floats:
        """(N,) time at which the larger sum left zero: when the change began, as best known."""
        return np.where(self.up >= self.down, self.up_since, self.down_since)

    def clear(self, which: Bools) -> None:
        """Start again, (N,)."""
        for sums, since in ((self.up, self.up_since), (self.down, self.down_since)):
            sums[which] = 0.0
            since[which] = np.nan
