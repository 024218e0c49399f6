"""A straight line between two readings of the same inputs, and the known mistake that makes it.

The same table of mistakes as in the diagnosis; here the pressures are applied, so the line is
known over the whole range at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from gateway.diagnose.line import LEAST_SD, LEAST_SXX, Fit
from gateway.diagnose.mistakes import (
    FAULTS,
    RANGE,
    Mistake,
    MistakeColumns,
    named,
    of_signal,
    of_unit,
)
from gateway.measure.blocks import Floats
from gateway.plant.transducers import Transducer
from gateway.plant.units import PASCALS

from .regression import straight_line

WRONG = 1.5
"""% of span by which a line must be off somewhere in the range to be called a mistake in setting
rather than an error; or three tolerances where that is more (common practice, no source)."""

STANDS = 0.1
"""% of span within which a value stands still."""


@dataclass(frozen=True)
class Named:
    """What a line is called. low, high: the range that was set, in the transducer's unit."""

    fault: str
    words: str
    gain: float
    offset: float
    low: float
    high: float


def name_of(
    noun: Transducer, unit: str | None, true: Sequence[float], shown: Sequence[float]
) -> Named | None:
    """The mistake that turns `true` % of span into `shown` %; None for none, or too little to tell.

    unit: in which the controller gives the value; None where it is ours.
    """
    x, y = _moving(np.array(true), np.array(shown))
    if len(x) < 2 or float(np.ptp(x)) < 20:
        return None
    line = straight_line(x, y)
    off = max(abs(line.at(0.0)), abs(line.at(100.0) - 100))
    if off <= max(WRONG, 3 * noun.tolerance_pct_span):
        return None
    offset = line.at(0.0)
    found = named(_as_fit(x, y), _table(noun, unit), np.array([-1]))
    fault = int(found.fault[0])
    words = _words(noun, unit)
    low, high = noun.range
    step = (high - low) / 100
    return Named(
        fault=FAULTS[fault],
        words="another range" if fault == RANGE else words[int(found.said[0])],
        gain=line.slope,
        offset=offset,
        low=low + step * offset,
        high=low + step * line.at(100.0),
    )


def _moving(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Without readings at an end where the value stands still: clamped, it is on no line."""
    keep = np.ones(len(x), dtype=np.bool_)
    for end in (y.min(), y.max()):
        there = np.abs(y - end) <= STANDS
        if float(np.ptp(x[there])) > 10 * STANDS:
            keep &= ~there
    return x[keep], y[keep]


def _known(noun: Transducer, unit: str | None) -> tuple[Mistake, ...]:
    pascals = PASCALS.get(unit or noun.unit, float("nan"))
    return of_signal(noun.signal) + of_unit(noun.lrv_pa, noun.span_pa, pascals)


def _words(noun: Transducer, unit: str | None) -> tuple[str, ...]:
    return tuple(dict.fromkeys(one.words for one in _known(noun, unit)))


def _table(noun: Transducer, unit: str | None) -> MistakeColumns:
    """The mistakes of one transducer, as the diagnosis has them for many."""
    known, words = _known(noun, unit), _words(noun, unit)

    def column(values: list[float]) -> np.ndarray:
        return np.array(values, dtype=np.float64).reshape(-1, 1)

    return MistakeColumns(
        np.array([one.fault for one in known], dtype=np.int64).reshape(-1, 1),
        column([one.gain for one in known]),
        column([one.offset for one in known]),
        np.array([words.index(one.words) for one in known], dtype=np.int64).reshape(-1, 1),
        words,
    )


def _as_fit(x: np.ndarray, y: np.ndarray) -> Fit:
    """The line as the diagnosis takes it: (1,) arrays around the middle of what was applied."""
    line, middle = straight_line(x, y, origin=float(x.mean())), float(x.mean())
    spread = max(float(((x - middle) ** 2).sum()), LEAST_SXX)
    sigma = max(line.scatter if line.freedom else 0.0, LEAST_SD)
    one = [len(x), line.slope, sigma / spread**0.5, middle, line.level, sigma / len(x) ** 0.5,
           (spread / len(x)) ** 0.5, sigma]  # fmt: skip
    return Fit(*(np.array([float(value)]) for value in one))
