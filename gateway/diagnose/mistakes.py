"""Known mistakes in scaling an analog input, each a straight line.

A transducer at p % of its span is shown at gain x p + offset %. For a device that sends a..b into
an input set for c..d, with f electrical units at the input for each that is sent:
gain = f (b - a) / (d - c), offset = 100 (f a - c) / (d - c). Worked out from the signal ranges;
that people make these mistakes is common practice, no source. A range set wrongly is any other
line; a unit set wrongly is a line through zero pressure with the ratio of two units.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Floats
from gateway.measure.columns import ABSENT, Columns, Ints
from gateway.plant.signals import SIGNALS
from gateway.plant.units import PASCALS

from .line import Fit

FAULTS = (
    "live-zero-mismatch", "signal-mismatch", "unit-mismatch", "percent-for-value",
    "range-mismatch",
)  # fmt: skip
LIVE, SIGNAL, UNIT, PERCENT, RANGE = range(5)
WEIGHT = np.array([1.0, 0.8, 0.8, 0.8, 0.3])
"""How likely each is before anything is seen, to the likeliest (common practice, no source)."""
FIT_LEVEL, FIT_GAIN, FIT_SHARE = 0.3, 0.002, 0.005
"""How far a mistake may be off although it is the right one: % of span, gain, and a share of
either (4095 for 4096 counts, a rounded range)."""
FITS = 12.0
"""Chi-squared with two degrees of freedom up to which a mistake fits (99.75 %)."""
NO_MISTAKE = 0.03
"""A line nearer than this to the right one is none."""
SAME_UNIT = 0.005
"""Ratios nearer to 1 than this tell two inches of water apart, not two units."""

SIGNAL_MISTAKES = (
    ("4-20 mA", "0-20 mA", 1.0, LIVE, "4-20 mA taken for 0-20 mA"),
    ("0-20 mA", "4-20 mA", 1.0, LIVE, "0-20 mA taken for 4-20 mA"),
    ("2-10 V", "0-10 V", 1.0, LIVE, "2-10 V taken for 0-10 V"),
    ("0-10 V", "2-10 V", 1.0, LIVE, "0-10 V taken for 2-10 V"),
    ("1-5 V", "0-5 V", 1.0, LIVE, "1-5 V taken for 0-5 V"),
    ("0-5 V", "1-5 V", 1.0, LIVE, "0-5 V taken for 1-5 V"),
    ("4-20 mA", "0-10 V", 0.5, LIVE, "4-20 mA on 500 ohm taken for 0-10 V"),
    ("4-20 mA", "1-5 V", 0.5, SIGNAL, "500 ohm where 250 ohm is meant"),
    ("4-20 mA", "2-10 V", 0.25, SIGNAL, "250 ohm where 500 ohm is meant"),
    ("4-20 mA", "0-10 V", 0.25, SIGNAL, "4-20 mA on 250 ohm taken for 0-10 V"),
    ("4-20 mA", "4-20 mA", 2 / 3, SIGNAL, "500 ohm beside the input's own 250 ohm"),
    ("4-20 mA", "2-10 V", 1 / 6, SIGNAL, "500 and 250 ohm side by side, taken for 2-10 V"),
    ("0-20 mA", "0-10 V", 0.25, SIGNAL, "250 ohm where 500 ohm is meant"),
    ("0-20 mA", "0-5 V", 0.5, SIGNAL, "500 ohm where 250 ohm is meant"),
    ("0-20 mA", "0-20 mA", 2 / 3, SIGNAL, "500 ohm beside the input's own 250 ohm"),
    ("0-10 V", "0-5 V", 1.0, SIGNAL, "0-10 V taken for 0-5 V"),
    ("0-10 V", "4-20 mA", 4.0, SIGNAL, "0-10 V on a 250 ohm input set for 4-20 mA"),
    ("0-10 V", "4-20 mA", 2.0, LIVE, "0-10 V on a 500 ohm input set for 4-20 mA"),
    ("0-5 V", "0-10 V", 1.0, SIGNAL, "0-5 V taken for 0-10 V"),
    ("2-10 V", "1-5 V", 1.0, SIGNAL, "2-10 V taken for 1-5 V"),
    ("1-5 V", "2-10 V", 1.0, SIGNAL, "1-5 V taken for 2-10 V"),
    ("1-5 V", "0-10 V", 1.0, SIGNAL, "1-5 V taken for 0-10 V"),
    ("+/-10 V", "0-10 V", 1.0, SIGNAL, "+/-10 V taken for 0-10 V"),
    ("+/-10 V", "+/-5 V", 1.0, SIGNAL, "+/-10 V taken for +/-5 V"),
    ("+/-5 V", "0-5 V", 1.0, SIGNAL, "+/-5 V taken for 0-5 V"),
    ("+/-5 V", "+/-10 V", 1.0, SIGNAL, "+/-5 V taken for +/-10 V"),
)
"""Device sends; input is set for; electrical units at the input for each sent; fault; words."""


@dataclass(frozen=True)
class Mistake:
    """One line: shown % = gain x true % + offset."""

    fault: int
    """Index into FAULTS."""
    gain: float
    offset: float
    words: str


def of_signal(sends: str) -> tuple[Mistake, ...]:
    """Every known mistake with a device that sends this signal; none for an unknown one."""
    found = []
    for device, taken_for, factor, fault, words in SIGNAL_MISTAKES:
        if device != sends:
            continue
        low, high = SIGNALS[device].low * factor, SIGNALS[device].high * factor
        c, d = SIGNALS[taken_for].low, SIGNALS[taken_for].high
        found.append(Mistake(fault, (high - low) / (d - c), 100 * (low - c) / (d - c), words))
    return tuple(found)


def of_unit(lrv: float, span: float, unit_pa: float) -> tuple[Mistake, ...]:
    """Another unit's number, or per cent, under a unit of `unit_pa` pascals; lrv, span in Pa."""
    if not unit_pa > 0:
        return ()
    percent = Mistake(PERCENT, 100 * unit_pa / span, -100 * lrv / span, "per cent of range")
    # On a range of 0 to 100 per cent is right.
    found = [percent] if abs(percent.gain - 1) + abs(percent.offset) / 100 > NO_MISTAKE else []
    for ratio, words in _ratios(unit_pa).items():
        found.append(Mistake(UNIT, ratio, 100 * lrv * (ratio - 1) / span, words))
    return tuple(found)


def _ratios(unit_pa: float) -> dict[float, str]:
    """Times by which a number in another unit is wrong, and that unit's name."""
    named: dict[float, str] = {}
    for unit, pascals in PASCALS.items():
        ratio = unit_pa / pascals
        near = next((r for r in named if abs(r / ratio - 1) < SAME_UNIT), None)
        if near is None and abs(ratio - 1) >= SAME_UNIT:
            named[ratio] = f"the number is in {unit}"
    return named


@dataclass(frozen=True)
class MistakeColumns:
    """(K, T) lines of every transducer's known mistakes; unused places are NaN."""

    fault: Ints
    gain: Floats
    offset: Floats
    said: Ints
    """Index into `words`."""
    words: tuple[str, ...]


def mistake_columns(columns: Columns) -> MistakeColumns:
    """The known mistakes of every transducer of a site."""
    t, points = columns.transducers, columns.points
    signals = {(s.low, s.high): name for name, s in SIGNALS.items()}
    known = []
    for k in range(len(t.ids)):
        sends = signals.get((float(t.signal_low[k]), float(t.signal_high[k])), "")
        value = t.controller_value[k]
        unit_pa = np.nan if value == ABSENT else float(points.pa[value])
        known.append(of_signal(sends) + of_unit(float(t.lrv[k]), float(t.span[k]), unit_pa))
    words = tuple(dict.fromkeys(m.words for mine in known for m in mine))
    shape = (max((len(mine) for mine in known), default=0), len(known))
    out = MistakeColumns(
        np.zeros(shape, dtype=np.int64), np.full(shape, np.nan), np.full(shape, np.nan),
        np.zeros(shape, dtype=np.int64), words,
    )  # fmt: skip
    for k, mine in enumerate(known):
        for row, m in enumerate(mine):
            out.fault[row, k], out.gain[row, k], out.offset[row, k] = m.fault, m.gain, m.offset
            out.said[row, k] = words.index(m.words)
    return out


@dataclass(frozen=True)
class Named:
    """(T,) what a line is called: fault, confidence 0 to 1, words, and bits of what fits too."""

    fault: Ints
    sure: Floats
    said: Ints
    others: Ints


def named(fit: Fit, table: MistakeColumns, before: Ints) -> Named:
    """Which mistake each line is; a range mismatch where none of the others fits.

    before: (T,) fault named so far, -1 for none; a named mistake is kept while it fits.
    """
    value = table.gain * fit.middle + table.offset
    beside = (fit.level - value) / np.hypot(fit.level_se, FIT_LEVEL + FIT_SHARE * np.abs(value))
    allowed = np.hypot(fit.gain_se, FIT_GAIN + FIT_SHARE * np.abs(table.gain))
    chi2 = np.nan_to_num(beside**2 + ((fit.gain - table.gain) / allowed) ** 2, nan=np.inf)
    fits = chi2 <= FITS
    likely = np.where(fits, WEIGHT[table.fault] * np.exp(-chi2 / 2), 0.0)
    none = np.zeros(fits.shape[1])
    weight = np.stack(
        [np.where(table.fault == f, likely, 0.0).max(axis=0, initial=0.0) for f in range(RANGE)]
        + [none]
    )
    can = weight > 0
    can[RANGE] = True
    best = np.where(can[:RANGE].any(axis=0), weight.argmax(axis=0), RANGE)
    column = np.arange(len(best))
    keep = (before >= 0) & (before != RANGE) & can[before, column]
    best = np.where(keep, before, best)
    prior = (can * WEIGHT[:, None]).sum(axis=0)
    sure = np.where(best == RANGE, 0.85, 0.95 * WEIGHT[best] / prior)
    mine = np.where(table.fault == best, likely, -1.0)
    row = mine.argmax(axis=0) if len(mine) else np.zeros(len(best), dtype=np.int64)
    another = len(table.words)
    said = table.said[row, column] if len(mine) else np.full(len(best), another)
    bits = (can * 2 ** np.arange(len(FAULTS))[:, None]).sum(axis=0) & ~(2**best)
    return Named(
        best, sure, np.where(best == RANGE, another, said),
        np.where(best == RANGE, 0, bits).astype(np.int64),
    )  # fmt: skip
