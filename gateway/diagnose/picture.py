"""What fault-free running taught us of each transducer and loop.

Dated, stored, shown, and forgotten by command after work on a loop. Learning goes on only while
nothing is wrong, and stops when enough is known, so that a slow drift is not learnt as normal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Columns
from gateway.measure.hold import zeroed

from .origin import OF, origins, outdated

RUNNING, STOPPED = 0, 1
SPEED = ("speed_count", "speed_mean", "speed_square")
ENOUGH = np.array([[120.0], [20.0]])
"""Minutes, running and stopped, from which on the picture is used."""
FULL = 7 * 1440.0
"""Minutes after which nothing more is learnt."""
SMOOTH = 1 / 15
"""Weight of a minute in the smoothed difference whose extremes are kept."""


@dataclass
class Picture:
    """(2, T) arrays, first running then stopped; (L,) for loops. Pressures in Pa, times in s.

    `difference` is a transducer's minute mean minus the median of its peers'.
    """

    since: Floats
    """(T,) first minute learnt, NaN before."""
    until: Floats
    """(T,) last minute learnt."""
    count: Floats
    difference: Floats
    square: Floats
    """Sum of squared deviations of the difference (Welford)."""
    drive: Floats
    drive_square: Floats
    drive_cross: Floats
    """Mean of the squared output, its sum of squares, and of products with the difference: what
    two places differ by in a duct goes with the square of the flow."""
    left: Floats
    lagged: Floats
    """Sums of squares, and of products of successive ones, of the unexplained part."""
    last: Floats
    """The unexplained part of the minute before, NaN after a break."""
    low: Floats
    high: Floats
    """Extremes of the smoothed unexplained part."""
    smooth: Floats
    level: Floats
    """Mean of the transducer's own minute means."""
    noise: Floats
    """Mean of the squared fast noise, Pa2."""
    wander: Floats
    """Mean variance within a minute, Pa2."""
    moving: Floats
    """Mean share of readings that differ from the one before."""
    together: Floats
    peer_wander: Floats
    """Mean covariance with the peers within a minute, and their variance, Pa2."""
    lag: Floats
    """(T,) s by which it follows its peers, mean of the stretches that told."""
    lag_count: Floats
    """(T,) stretches that told."""
    speed_count: Floats
    speed_mean: Floats
    speed_square: Floats
    """(L,) combined pressure over squared output, running and settled."""

    def slope(self) -> Floats:
        """(2, T) Pa of difference a unit of squared output; 0 where it explains little."""
        with np.errstate(invalid="ignore", divide="ignore"):
            share = self.drive_cross**2 / (self.drive_square * self.square)
            weight = np.clip((zeroed(share) - 0.1) / 0.2, 0.0, 1.0)
            return zeroed(weight * self.drive_cross / self.drive_square)

    def unexplained(self, state: int, difference: Floats, drive: Floats) -> Floats:
        """(T,) Pa of a minute's difference that neither its mean nor the output explains."""
        expected = self.slope()[state] * (drive - self.drive[state])
        out: Floats = difference - self.difference[state] - expected
        return out

    def sd(self) -> Floats:
        """(2, T) standard deviation of single minutes' unexplained part."""
        b = self.slope()
        left = self.square - 2 * b * self.drive_cross + b**2 * self.drive_square
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.sqrt(np.maximum(left, 0.0) / self.count)

    def phi(self) -> Floats:
        """(2, T) correlation of successive minutes, 0 to 0.98."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.clip(zeroed(self.lagged / self.left), 0.0, 0.98)

    def ready(self) -> Bools:
        """(2, T) where enough has been seen."""
        out: Bools = self.count >= ENOUGH
        return out


def blank(columns: Columns) -> Picture:
    """Nothing learnt yet."""
    t, n_loops = len(columns.transducers.ids), len(columns.loops.ids)
    shapes = dict.fromkeys(("since", "until", "lag", "lag_count"), (t,)) | dict.fromkeys(
        SPEED, (n_loops,)
    )
    empty = {"since", "until", "last", "low", "high", "smooth"}
    return Picture(
        **{
            f.name: np.full(shapes.get(f.name, (2, t)), np.nan if f.name in empty else 0.0)
            for f in fields(Picture)
        }
    )


def learn(
    picture: Picture, state: int, which: Bools, time: float, seen: Mapping[str, Floats]
) -> None:
    """Add one minute of the transducers `which` (T,), all in `state`.

    seen: (T,) arrays `difference`, `drive` (squared output), `level`, `noise`, `wander`, `moving`,
    `together`, `peer_wander`; a transducer without a peer has NaN in the differences.
    """
    which = which & (picture.count[state] < FULL)
    if not which.any():
        picture.last[state][:] = np.nan
        return
    picture.since[which & np.isnan(picture.since)] = time
    picture.until[which] = time
    n = picture.count[state] + which
    for name in ("level", "noise", "wander", "moving", "together", "peer_wander"):
        array, value = getattr(picture, name)[state], zeroed(seen[name])
        array[which] += (value - array)[which] / n[which]
    x, drive = zeroed(seen["difference"]), zeroed(seen["drive"])
    left = picture.unexplained(state, x, drive)
    mean, mean_drive = picture.difference[state], picture.drive[state]
    away, away_drive = x - mean, drive - mean_drive
    mean[which] += away[which] / n[which]
    mean_drive[which] += away_drive[which] / n[which]
    picture.square[state][which] += (away * (x - mean))[which]
    picture.drive_square[state][which] += (away_drive * (drive - mean_drive))[which]
    picture.drive_cross[state][which] += (away_drive * (x - mean))[which]
    _learn_left(picture, state, which, n, left)
    picture.count[state][which] = n[which]


def _learn_left(picture: Picture, state: int, which: Bools, n: Floats, left: Floats) -> None:
    """Add one minute's (T,) unexplained parts."""
    last = picture.last[state]
    paired = which & np.isfinite(last)
    picture.lagged[state][paired] += (last * left)[paired]
    picture.left[state][paired] += (left * left)[paired]
    last[:] = np.where(which, left, np.nan)
    smooth = picture.smooth[state]
    start = which & np.isnan(smooth)
    smooth[start] = left[start]
    smooth[which] += SMOOTH * (left - smooth)[which]
    # The first minutes, with the mean and the slope not known yet, tell no extremes.
    fresh = which & (n <= ENOUGH[state])
    picture.low[state][fresh] = picture.high[state][fresh] = smooth[fresh]
    later = which & ~fresh
    picture.low[state][later] = np.fmin(picture.low[state], smooth)[later]
    picture.high[state][later] = np.fmax(picture.high[state], smooth)[later]


def learn_speed(picture: Picture, which: Bools, ratio: Floats) -> None:
    """Add one minute's (L,) combined pressure over squared output, for the loops `which`."""
    which = which & np.isfinite(ratio) & (picture.speed_count < FULL)
    n = picture.speed_count + which
    deviation = np.where(which, ratio - picture.speed_mean, 0.0)
    picture.speed_mean += np.divide(deviation, n, out=np.zeros_like(n), where=n > 0)
    picture.speed_square += deviation * np.where(which, ratio - picture.speed_mean, 0.0)
    picture.speed_count[:] = n


def forget(picture: Picture, columns: Columns, loop: int) -> None:
    """Unlearn everything of one loop and its transducers."""
    fresh, members = blank(columns), columns.loops.members[loop]
    for f in fields(Picture):
        mine, new = getattr(picture, f.name), getattr(fresh, f.name)
        if f.name.startswith("speed"):
            mine[loop] = new[loop]
        else:
            mine[..., members] = new[..., members]


def to_dict(picture: Picture, columns: Columns) -> dict[str, Any]:
    """For the store and the interfaces: by transducer and loop, NaN as None."""
    per_t = [f.name for f in fields(Picture) if not f.name.startswith("speed")]
    per_l = [f.name for f in fields(Picture) if f.name.startswith("speed")]
    of = origins(columns)
    return {
        kind: {
            key: {name: _plain(getattr(picture, name)[..., k]) for name in names}
            | {OF: of[kind][key]}
            for k, key in enumerate(ids)
        }
        for kind, ids, names in (
            ("transducers", columns.transducers.ids, per_t),
            ("loops", columns.loops.ids, per_l),
        )
    }


def from_dict(stored: Mapping[str, Any], columns: Columns) -> Picture:
    """The picture as stored; what is not in it, or was learnt of something else, starts blank.

    A transducer that has got another range, input or peers is something else.
    """
    picture, other = blank(columns), frozenset(outdated(stored, columns))
    for ids, kind in ((columns.transducers.ids, "transducers"), (columns.loops.ids, "loops")):
        for k, key in enumerate(ids):
            for name, value in stored.get(kind, {}).get(key, {}).items():
                if hasattr(picture, name) and (kind, key) not in other:
                    getattr(picture, name)[..., k] = np.array(value, dtype=np.float64)
    return picture


def _plain(value: Any) -> Any:
    numbers = np.asarray(value, dtype=np.float64)
    out = numbers.astype(object)
    out[~np.isfinite(numbers)] = None
    return out.tolist()
