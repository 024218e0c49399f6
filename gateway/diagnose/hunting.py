"""hunting: which loops swing, how fast, how far, and whether all their transducers see it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns
from gateway.measure.hold import column_time, forward_fill, last, shifted, zeroed

from .detector import Condition
from .minutes import Minutes
from .oscillation import AMPLITUDE, IRREGULAR, LOADS, QUIET_LOADS, REGULAR, Swings
from .sides import Sides
from .standing import Stand, spread

BAND = AMPLITUDE / 2
"""% of span that the error must pass to be on a side."""
LEAST_SAMPLES, ENOUGH_SAMPLES = 5.0, 10.0
"""Polls a period below which nothing, and below which little, can be said (common practice)."""
QUIET_PERIODS = 1.5
TESTED = 5
"""Minutes of running from which on "does not hunt" is an answer."""
TOGETHER = 0.5
"""Correlation with the peers above which a transducer swings with them."""
ALONE = 4.0
"""Times the peers' variance that a transducer swings by itself."""
SEEN_BY = ("all transducers", "one transducer only", "not told")
ALL, ONE, UNTOLD = range(3)
NUMBERS = (
    "period_s", "amplitude_Pa", "peak_Pa", "loads", "regularity", "samples_per_period", "seen_by",
)  # fmt: skip


class Hunting:
    """Judge of hunting."""

    def __init__(self, columns: Columns) -> None:
        loops, t, n = columns.loops, len(columns.transducers.ids), len(columns.loops.ids)
        self._members = loops.members
        uses = np.where(loops.uses, columns.controllers.interval, 0.0)
        self._interval = uses.max(axis=1, initial=0.1) if n else np.zeros(0)
        self._span = np.array([columns.transducers.span[m].max() for m in loops.members])
        self._sides, self._swings = Sides(columns, BAND), Swings(self._interval)
        self._before: Floats = np.full(n, np.nan)
        self._area: Floats = np.zeros(n)
        self._crossed: Floats = np.full(n, np.nan)
        self._area_then: Floats = np.zeros(n)
        self._own, self._peer, self._both = (np.zeros(t) for _ in range(3))
        self._hunts: Bools = np.zeros(n, dtype=np.bool_)
        self._ran: Bools = np.zeros(n, dtype=np.bool_)
        self._tested, self._suspect = np.zeros(n, dtype=np.int64), np.full(n, -1)
        self._numbers = {name: np.full(n, np.nan) for name in NUMBERS}

    def examine(
        self, readings: Readings, minutes: Minutes, trouble: Bools
    ) -> tuple[Condition, ...]:
        """(R, L) condition; evidence: period, amplitude, load count, regularity, who sees it."""
        error = self._sides.error(readings)
        sound = np.isfinite(error) & (readings.running != 0) & ~trouble
        _, changed, anew = self._sides.split(readings, error, sound)
        area = self._areas(readings.time, error, sound)
        stands: list[Stand] = [(0, self._stand())]
        start = 0
        for k, row in enumerate(minutes.row.tolist()):
            self._rows(readings.time, area, changed, anew, slice(start, row))
            self._ran |= sound[start:row].any(axis=0)
            self._minute(minutes, k)
            stands.append((row, self._stand()))
            start = row
        self._rows(readings.time, area, changed, anew, slice(start, len(area)))
        self._ran |= sound[start:].any(axis=0)
        now = spread(len(area), stands)
        samples = now["samples_per_period"]
        return (
            Condition(
                "hunting", now["hunts"], sound & ((now["tested"] >= TESTED) | now["hunts"]),
                {name: now[name] for name in NUMBERS}, words={"seen_by": SEEN_BY},
                suspect=now["suspect"],
                confidence=np.where(samples >= ENOUGH_SAMPLES, 0.9, 0.6),
            ),
        )  # fmt: skip

    def forget(self, loop: int) -> None:
        """Start again with one loop."""
        which = np.arange(len(self._hunts)) == loop
        self._swings.clear(which)
        self._hunts[loop], self._tested[loop], self._crossed[loop] = False, 0, np.nan

    def _areas(self, time: Floats, error: Floats, sound: Bools) -> Floats:
        """(R, L) integral of the absolute error so far, % s."""
        when = column_time(time, error.shape[1])
        seen = forward_fill(when, sound, self._before)
        wait = zeroed(when - shifted(seen, self._before))
        self._before = last(seen)
        steps = np.where(sound, np.abs(zeroed(error)) * wait, 0.0)
        total = np.add.accumulate(np.concatenate([self._area[None], steps]), axis=0)[1:]
        self._area = last(total)
        return np.asarray(total, dtype=np.float64)

    def _rows(
        self, time: Floats, area: Floats, changed: Bools, anew: Bools, part: slice
    ) -> None:  # fmt: skip
        """Take in the crossings of some rows."""
        for row in np.flatnonzero((changed[part] | anew[part]).any(axis=1)) + part.start:
            if anew[row].any():
                self._swings.clear(anew[row])
                self._crossed[anew[row]] = np.nan
            crossed = np.flatnonzero(changed[row])
            whole = crossed[np.isfinite(self._crossed[crossed])]
            if len(whole):
                half = time[row] - self._crossed[whole]
                self._swings.cross(whole, half, area[row, whole] - self._area_then[whole])
            self._crossed[crossed] = time[row]
            self._area_then[crossed] = area[row, crossed]

    def _minute(self, minutes: Minutes, k: int) -> None:
        s = self._swings
        for mean, value in (
            (self._own, minutes.peer.xx[k]), (self._peer, minutes.peer.yy[k]),
            (self._both, minutes.peer.xy[k]),
        ):  # fmt: skip
            seen = np.isfinite(value)
            mean[seen] += 0.3 * (value - mean)[seen]
        period = s.period()
        with np.errstate(invalid="ignore"):
            samples = period / self._interval
            silent = minutes.start[k] - self._crossed > QUIET_PERIODS * period
            quick = samples >= LEAST_SAMPLES
        on = (s.loads > LOADS) & (s.regularity() > REGULAR) & quick
        off = (s.loads < QUIET_LOADS) | (s.regularity() < IRREGULAR)
        self._tested += self._ran
        self._ran = np.zeros_like(self._ran)
        if silent.any():
            s.clear(silent)
            self._crossed[silent] = np.nan
        self._hunts = (on | (self._hunts & ~off)) & ~silent
        for loop in np.flatnonzero(self._hunts):
            self._describe(int(loop), float(period[loop]), minutes, k)

    def _describe(self, loop: int, period: float, minutes: Minutes, k: int) -> None:
        s, n = self._swings, self._numbers
        amplitude = s.amplitude()[loop] * self._span[loop] / 100
        about = minutes.setpoint[k][loop]
        n["period_s"][loop], n["amplitude_Pa"][loop] = period, amplitude
        n["peak_Pa"][loop] = about + np.copysign(amplitude, about)
        n["loads"][loop], n["regularity"][loop] = s.loads[loop], s.regularity()[loop]
        n["samples_per_period"][loop] = period / self._interval[loop]
        self._suspect[loop], n["seen_by"][loop] = self._who(self._members[loop])

    def _who(self, members: NDArray[np.int64]) -> tuple[int, int]:
        """(suspect or -1, who sees the swing)."""
        own, peer = self._own[members], self._peer[members]
        if len(members) < 2:
            return -1, UNTOLD
        with np.errstate(invalid="ignore", divide="ignore"):
            together = self._both[members] / np.sqrt(own * peer)
        alone = (own > ALONE * peer) & ~(together > TOGETHER)
        if alone.sum() == 1:
            return int(members[alone][0]), ONE
        return -1, ALL if (together > TOGETHER).all() else UNTOLD

    def _stand(self) -> dict[str, NDArray[Any]]:
        numbers = {name: values.copy() for name, values in self._numbers.items()}
        return {
            "hunts": self._hunts.copy(), "tested": self._tested.copy(),
            "suspect": self._suspect.copy(), **numbers,
        }  # fmt: skip
