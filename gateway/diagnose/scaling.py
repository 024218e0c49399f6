"""What the controller makes of an input, against what the nameplate makes of it.

Both start from the same counts, so that they must agree to rounding. Where they do not, the line
between them tells which setting is wrong. Settings stay until somebody changes them: the line is
fitted over minutes, and begun anew when rows leave it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import ABSENT, Columns, TransducerColumns
from gateway.measure.hold import forward_fill, last, shifted, zeroed
from gateway.measure.quality import Quality

from .detector import Condition
from .line import Fit, Lines
from .minutes import Minutes, Moments
from .mistakes import FAULTS, RANGE, mistake_columns, named
from .offline import OFF, OffLine, Rule
from .standing import Stand, spread

RIGHT = 1.0
"""% of span within which the controller's value is right (common practice)."""
LEAST_MINUTES = 5
WIDE = 3.0
"""% of span: standard deviation within a minute beyond which its mean may lag behind."""
STRAIGHT, APART = 0.95, 0.3
"""Squared correlation within a minute: above the first a wide one is straight, below the second
the value moves by itself."""
DRIFT = 0.4
"""% of span by which the mean may move from minute to minute unasked."""
PATIENCE = 15
"""Minutes after which a wrong value is said although gain and offset cannot be told apart."""
CERTAIN, CERTAIN_SHARE = 0.03, 0.05
"""Standard error of the gain, absolute or as a share of it, at which the two are told apart."""
FLAT = 0.03
"""Gains nearer to 1 than this are right: 1.5 % of span at half a span's distance."""
NUMBERS = (
    "gain", "gain_standard_error", "offset_percent_of_span", "offset_standard_error_percent",
    "movement_percent_of_span", "minutes", "controller_shows_Pa", "pressure_Pa",
    "peers_Pa", "implied_low_Pa", "implied_high_Pa", "fits", "cannot_tell_from",
)  # fmt: skip


class Scaling:
    """Judge of live-zero-, signal-, unit-, range-mismatch and percent-for-value."""

    def __init__(self, columns: Columns) -> None:
        t, n = columns.transducers, len(columns.transducers.ids)
        self._columns, self._t = columns, t
        self._table = mistake_columns(columns)
        self._step = zeroed(_steps(columns) / t.span * 100)
        self._lines, self._off_line = Lines(n), OffLine(n)
        self._shown_before: Floats = np.full(n, np.nan)
        self._pinned: Floats = np.zeros(n)
        """Minutes on end at which the controller's value stood still beside the counts."""
        self._has_line: Bools = np.ones(n, dtype=np.bool_)
        self._rule = Rule(np.ones(n), np.zeros(n), np.zeros(n), np.zeros(n), self._step)
        self._last: Floats = np.full(n, np.nan)
        self._fault = np.full(n, -1)
        self._known: Bools = np.zeros(n, dtype=np.bool_)
        self._sure: Floats = np.zeros(n)
        self._numbers = {name: np.full(n, np.nan) for name in NUMBERS}
        self._words = {
            "fits": (*self._table.words, "another range", "an end at which it stands still"),
            "cannot_tell_from": tuple(listed(mask) for mask in range(2 ** len(FAULTS))),
        }

    def examine(
        self, readings: Readings, minutes: Minutes, _trouble: Bools
    ) -> tuple[Condition, ...]:
        """(R, T) conditions of FAULTS."""
        x, y = _percent(self._t, readings.pressure), _percent(self._t, readings.controller_value)
        good = _good(readings, self._t)
        held = forward_fill(x, good, self._last)
        moved = np.abs(zeroed(x - shifted(held, self._last)))
        self._last = last(held)
        stands: list[Stand] = [(0, self._stand())]
        start = 0
        for k, row in enumerate(minutes.row.tolist()):
            part = slice(start, row)
            self._off_line.take(x[part], y[part], moved[part], good[part], self._rule)
            self._minute(minutes, k)
            stands.append((row, self._stand()))
            start = row
        rest = slice(start, len(x))
        self._off_line.take(x[rest], y[rest], moved[rest], good[rest], self._rule)
        now = spread(len(x), stands)
        evidence = {name: now[name] for name in NUMBERS}
        return tuple(
            Condition(
                fault, now["fault"] == code, now["known"] & readings.fresh, evidence,
                words=self._words, confidence=now["sure"],
            )
            for code, fault in enumerate(FAULTS)
        )  # fmt: skip

    def forget(self, loop: int) -> None:
        """Start again with one loop's transducers."""
        which = self._columns.loops.has[loop]
        self._start(which)
        self._fault[which], self._known[which] = -1, False

    def _start(self, which: Bools) -> None:
        self._lines.clear(which)
        self._has_line[which] = False
        self._rule.gain[which] = np.nan

    def _minute(self, minutes: Minutes, k: int) -> None:
        seen = minutes.shown
        x, y = _percent(self._t, seen.x[k]), _percent(self._t, seen.y[k])
        clamped = self._off_line.clamped(self._rule)
        broken = self._off_line.broken() & ~clamped
        self._start(broken)
        drift = np.abs(y - self._shown_before)
        self._shown_before = np.where(np.isfinite(y), y, self._shown_before)
        stuck, unsettled = _unfit(seen, k, self._t.span, self._step, drift)
        there = seen.count[k] > 0
        use = there & (self._off_line.off == 0) & ~stuck & ~unsettled
        self._off_line.next()
        self._lines.add(zeroed(x), zeroed(y), use)
        fit = self._lines.fit(self._step / np.sqrt(12))
        crooked = (fit.scatter > RIGHT * np.maximum(1.0, np.abs(fit.gain))) & use
        self._start(crooked)
        self._decide(fit, use & ~crooked & (fit.minutes > LEAST_MINUTES - 0.5))
        self._pinned_minute(x, y, there & stuck, there)
        for name, values in (("controller_shows_Pa", seen.y[k]), ("pressure_Pa", seen.x[k])):
            self._numbers[name][there] = values[there]
        self._numbers["peers_Pa"][there] = minutes.peer.y[k][there]

    def _pinned_minute(self, x: Floats, y: Floats, pinned: Bools, there: Bools) -> None:
        """A value at its end while the counts are inside the range is not clamped rightly."""
        wrong = pinned & (np.abs(y - x) > OFF + self._step) & (x > -RIGHT) & (x < 100 + RIGHT)
        self._pinned = np.where(there, np.where(wrong, self._pinned + 1, 0), self._pinned)
        said = self._pinned >= PATIENCE
        if not said.any():
            return
        # Every mistake that would show something beyond that end may be the one.
        beyond = (self._table.gain * x + self._table.offset - y) * np.sign(y - x) >= -OFF
        mask = np.bitwise_or.reduce(np.where(beyond, 2**self._table.fault, 0), axis=0)
        self._fault[said], self._sure[said] = RANGE, 0.4
        self._known |= said
        for name in NUMBERS:
            self._numbers[name][said] = np.nan
        self._numbers["fits"][said] = len(self._table.words) + 1
        self._numbers["cannot_tell_from"][said] = mask[said]

    def _decide(self, fit: Fit, ready: Bools) -> None:
        """Take up a new opinion of the transducers `ready`."""
        flat = np.abs(fit.gain - 1) <= np.maximum(4 * fit.gain_se, FLAT)
        right = ready & flat & (np.abs(fit.level - fit.middle) <= RIGHT + self._step)
        self._fault[right] = -1
        self._known |= right
        self._has_line |= right
        self._rule = self._rule.replaced(right, 1.0, 0.0, 0.0, self._rule.middle)
        wrong = ready & ~right
        if wrong.any():
            self._name(fit, wrong)

    def _name(self, fit: Fit, wrong: Bools) -> None:
        """Say which mistake the lines of the transducers `wrong` tell of."""
        certain = fit.gain_se <= np.maximum(CERTAIN_SHARE * np.abs(fit.gain), CERTAIN)
        told = wrong & certain
        long = fit.minutes > PATIENCE * 0.9
        vague = wrong & ~certain & long & ~self._still_stands(fit)
        name = named(fit, self._table, self._fault)
        self._fault[told], self._fault[vague] = name.fault[told], RANGE
        self._sure[told], self._sure[vague] = name.sure[told], 0.5
        self._known |= told | vague
        facts = _facts(fit, self._t)
        facts["fits"] = np.where(told, name.said, len(self._table.words))
        others = np.where(told, name.others, name.others | 2**name.fault) & ~np.where(
            told, 0, 2**RANGE
        )
        facts["cannot_tell_from"] = others.astype(np.float64)
        for key, values in facts.items():
            self._numbers[key][told | vague] = values[told | vague]
        self._has_line |= told
        self._rule = self._rule.replaced(told, fit.gain, fit.offset(), fit.gain_se, fit.middle)

    def _still_stands(self, fit: Fit) -> Bools:
        """(T,) where the fault named before explains the new line as well."""
        low, high = self._numbers["implied_low_Pa"], self._numbers["implied_high_Pa"]
        at = _percent(self._t, low + (high - low) * fit.middle / 100)
        out: Bools = (self._fault >= 0) & (np.abs(at - fit.level) <= OFF)
        return out

    def _stand(self) -> dict[str, NDArray[Any]]:
        """The present opinion, copied."""
        numbers = {name: values.copy() for name, values in self._numbers.items()}
        return {
            "fault": self._fault.copy(), "sure": self._sure.copy(), "known": self._known.copy(),
            **numbers,
        }  # fmt: skip


def _percent(t: TransducerColumns, pascals: Floats) -> Floats:
    """(..., T) % of span."""
    out: Floats = 100 * (pascals - t.lrv) / t.span
    return out


def _good(readings: Readings, t: TransducerColumns) -> Bools:
    """(R, T) rows that brought both values, and the counts good."""
    good = readings.fresh & (readings.quality < Quality.BAD)
    good &= np.isfinite(readings.controller_value)
    named = t.controller_value != ABSENT
    good[:, named] &= readings.point_fresh[:, t.controller_value[named]]
    return good


def _unfit(seen: Moments, k: int, span: Floats, step: Floats, drift: Floats) -> tuple[Bools, Bools]:
    """(T,) minutes that no line may be drawn through: stuck, and unsettled.

    step: of the controller's value; drift: of its mean since the minute before; % of span.
    Stuck: it stands still while the pressure moves: clamped, or it says nothing. Unsettled: it
    moves apart from the pressure, as behind a filter while the fan starts.
    """
    sd_x = 100 / span * np.sqrt(np.maximum(seen.xx[k], 0))
    sd_y = 100 / span * np.sqrt(np.maximum(seen.yy[k], 0))
    stuck = (sd_y <= np.maximum(step / 2, 1e-3)) & (sd_x > np.maximum(2 * step, 1e-2))
    with np.errstate(invalid="ignore", divide="ignore"):
        together = seen.xy[k] ** 2 / (seen.xx[k] * seen.yy[k])
    moves = (sd_y > np.maximum(RIGHT, 2 * step)) | (drift > np.maximum(DRIFT, 2 * step))
    alone = moves & ~(together > APART)
    return stuck, alone | ((sd_x > WIDE) & ~(together > STRAIGHT))


def _facts(fit: Fit, t: TransducerColumns) -> dict[str, Floats]:
    """What a line says, as evidence."""
    full = fit.at(np.full_like(fit.gain, 100.0))
    return {
        "gain": fit.gain,
        "gain_standard_error": fit.gain_se,
        "offset_percent_of_span": fit.offset(),
        "offset_standard_error_percent": fit.offset_se(),
        "movement_percent_of_span": fit.moved,
        "minutes": np.round(fit.minutes),
        "implied_low_Pa": t.lrv + t.span / 100 * np.round(fit.offset(), 2) + 0.0,
        "implied_high_Pa": t.lrv + t.span / 100 * np.round(full, 2) + 0.0,
    }


def _steps(columns: Columns) -> Floats:
    """(T,) Pa: smallest step that the register of the controller's value can show."""
    which, points = columns.transducers.controller_value, columns.points
    if not len(points.refs):
        return np.zeros(len(which))
    return np.where(which == ABSENT, 0.0, points.step[which] * points.pa[which])


def listed(mask: int) -> str:
    """Faults whose bits are set, as words."""
    names = [fault for code, fault in enumerate(FAULTS) if mask >> code & 1]
    return ", ".join(names) or "none"
