"""How long after its peers a transducer moves: from the doors and gusts that all of them feel.

The rows of a stretch are correlated with the peers' rows some steps earlier and later; the best
step is refined by a parabola through its neighbours. Where no step explains a good part of the
movement, the stretch tells nothing.
"""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats

from .picture import Picture

MOST = 5
"""Rows to either side that are tried: a slower one is a restricted tube, not a lag."""
STEPS = range(-MOST, MOST + 1)
CLEAR = 0.7
"""Correlation below which a stretch tells nothing (common practice, no source)."""
FULL = 1440.0
"""Stretches after which nothing more is learnt."""
ENOUGH = 10.0
"""Stretches from which on a lag is shown."""


def lag_rows(own: Floats, peers: Floats) -> Floats:
    """(T,) rows by which (n, T) readings follow their peers'; NaN where that is not clear.

    Negative where the peers follow. Fractions of a row are told when the movement is slow.
    """
    n, t = own.shape
    out = np.full(t, np.nan)
    if n < 4 * MOST:
        return out
    middle = own[MOST : n - MOST]
    r = np.stack([_together(middle, peers[MOST - k : n - MOST - k]) for k in STEPS])
    r[:, np.isnan(r).any(axis=0)] = -1.0
    best = r.argmax(axis=0)
    clear = (r.max(axis=0) >= CLEAR) & (best > 0) & (best < len(STEPS) - 1)
    at, column = best[clear], np.flatnonzero(clear)
    before, peak, after = r[at - 1, column], r[at, column], r[at + 1, column]
    bend = np.minimum(before - 2 * peak + after, -1e-12)
    out[column] = at - MOST + (before - after) / bend / 2
    return out


def _together(own: Floats, peers: Floats) -> Floats:
    """(T,) correlation of (n, T) rows; NaN where either stands still."""
    x, y = own - own.mean(axis=0), peers - peers.mean(axis=0)
    whole = np.sqrt((x * x).sum(axis=0) * (y * y).sum(axis=0))
    out: Floats = (x * y).sum(axis=0) / np.where(whole > 0, whole, np.nan)
    return out


def learn_lag(picture: Picture, which: Bools, seconds: Floats) -> None:
    """Add one stretch's (T,) lags of the transducers `which` (T,); NaN adds nothing."""
    which = which & np.isfinite(seconds) & (picture.lag_count < FULL)
    picture.lag_count[which] += 1
    picture.lag[which] += ((seconds - picture.lag) / np.maximum(picture.lag_count, 1.0))[which]
