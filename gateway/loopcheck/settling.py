"""Whether a reading stands still, and if not, why not yet.

All judgements are in % of span, so that one set of numbers serves every range. They are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Floats
from gateway.plant.units import in_digits

from .plan import Facts
from .steps import Step

WINDOW_S = 5.0
LEAST = 5
"""A reading is the mean of the last five seconds, and of five rows at least."""
BAND, BAND_SHARE = 0.2, 0.2
"""Widest spread of those rows: % of span, or this share of the tolerance where that is more."""
PATIENCE_S = 20.0
"""After this time a reading that does not stand still is put to the person."""
LAGS = 0.75
"""Share of its spread that a controller's value must go one way to count as still on its way."""
NEAR = 5.0
"""A reading this near to what was asked for (% of span) may be taken hands-free."""
MOVES, FOLLOWS = 5.0, 0.25
"""A change of more than the first (% of span) must show in the reading by this share of it."""
FAR = 20.0
"""A reading so far (% of span) from what was applied, or three tolerances, is asked about first."""


@dataclass(frozen=True)
class InputNow:
    """One input in one row, in the transducer's unit; bad: why it cannot be used, "" if it can."""

    counts: float
    electrical: float
    pressure: float
    controller_value: float | None = None
    bad: str = ""


@dataclass(frozen=True)
class Row:
    """All inputs of the loop at a time, and the loop in its own unit."""

    time: float
    inputs: Mapping[str, InputNow]
    combined: float | None = None
    feedback: float | None = None
    setpoint: float | None = None
    output: float | None = None
    running: bool | None = None


@dataclass(frozen=True)
class Settling:
    """rows: those that make the reading, once it stands still (`why` is empty then)."""

    why: str
    rows: Sequence[Row] = ()
    asks: bool = False
    """True when waiting alone will not help: the person has to look."""

    @property
    def ready(self) -> bool:
        """Whether the reading can be taken."""
        return not self.why


def settle(facts: Facts, step: Step, rows: Sequence[Row], before: Mapping[str, Row]) -> Settling:
    """How the driven inputs of a step stand.

    rows: since the pressure was applied, oldest first; `step.apply` is what the reference shows.
    before: last row of the latest recorded step of each input, to see whether anything has
    changed at all.
    """
    driven = (step.transducer,) if step.transducer else tuple(step.apply)
    latest = rows[-1] if rows else None
    for key in driven if latest else ():
        if latest and latest.inputs[key].bad:
            return Settling(f"no reading of {key}: {latest.inputs[key].bad}", asks=True)
    window = _window(rows)
    if window is None:
        count, seconds = min(len(rows), LEAST), min(_seconds(rows), WINDOW_S)
        return Settling(f"{count} of {LEAST} readings, {seconds:.0f} of {WINDOW_S:g} s")
    for key in driven:
        if why := _moving(facts, key, window):
            late = _seconds(rows) > PATIENCE_S
            hint = _untouched(facts, step, key, window[-1], before) if late else ""
            return Settling(hint or why, window, asks=late)
    for key in driven:
        now = window[-1]
        if why := _untouched(facts, step, key, now, before) or _far(facts, step, key, now):
            return Settling(why, window, asks=True)
    return Settling("", window)


def near(facts: Facts, step: Step, row: Row) -> bool:
    """Whether every input reads about what was asked for."""
    return all(
        abs(facts.percent(key, row.inputs[key].pressure) - facts.percent(key, asked)) <= NEAR
        for key, asked in step.apply.items()
    )


def _window(rows: Sequence[Row]) -> Sequence[Row] | None:
    """The latest rows that are enough; None while there are not."""
    if len(rows) < LEAST:
        return None
    first = next(k for k, row in enumerate(rows) if row.time >= rows[-1].time - WINDOW_S)
    window = rows[min(first, len(rows) - LEAST) :]
    # A row's time is not exactly on the second.
    enough = first > 0 or _seconds(rows) > 0.9 * WINDOW_S
    return window if enough else None


def _seconds(rows: Sequence[Row]) -> float:
    return rows[-1].time - rows[0].time if rows else 0.0


def _moving(facts: Facts, key: str, window: Sequence[Row]) -> str:
    """Why an input does not stand still; "" when it does."""
    if any(row.inputs[key].bad for row in window):
        return f"{key} had no good reading a moment ago"
    noun = facts.transducers[key]
    band = max(BAND, BAND_SHARE * noun.tolerance_pct_span)
    time = np.array([row.time for row in window])
    ours = np.array([row.inputs[key].pressure for row in window])
    if why := _unsteady(time, _percent(facts, key, ours), band):
        return f"{key} {why}"
    values = [row.inputs[key].controller_value for row in window]
    known = np.array([value for value in values if value is not None])
    if len(known) < len(values):
        return ""
    # A value that is scaled far too large trembles as much more: only its lag is looked at.
    theirs = _percent(facts, key, known)
    drift, spread = _drift(time, theirs), float(np.ptp(theirs))
    if abs(drift) > max(band, LAGS * spread):
        return f"{key} stands still, but the controller's own value {_way(time, drift)}"
    return ""


def _percent(facts: Facts, key: str, pressures: Floats) -> Floats:
    low, high = facts.transducers[key].range
    out: Floats = 100 * (pressures - low) / (high - low)
    return out


def _unsteady(time: Floats, percent: Floats, band: float) -> str:
    drift, spread = _drift(time, percent), float(np.ptp(percent))
    if abs(drift) > max(band, spread) / 2:
        return _way(time, drift)
    if spread > band:
        return f"goes to and fro by {spread:.2g} % of span; still means {band:.2g} %"
    return ""


def _drift(time: Floats, percent: Floats) -> float:
    """How far it goes in the window, by least squares."""
    seconds = float(time[-1] - time[0])
    return float(np.polyfit(time - time[0], percent, 1)[0]) * seconds if seconds > 0 else 0.0


def _way(time: Floats, drift: float) -> str:
    way = "rises" if drift > 0 else "falls"
    return f"still {way}: by {abs(drift):.2g} % of span in {time[-1] - time[0]:.0f} s"


def _untouched(facts: Facts, step: Step, key: str, now: Row, before: Mapping[str, Row]) -> str:
    """Why a reading that stands still is no answer to what was applied; "" when it is one."""
    if key not in before:
        return ""
    noun, old = facts.transducers[key], before[key]
    reads, read = now.inputs[key].pressure, old.inputs[key].pressure
    asked = facts.percent(key, step.apply[key]) - facts.percent(key, read)
    moved = facts.percent(key, reads) - facts.percent(key, read)
    if abs(asked) <= MOVES or abs(moved) >= FOLLOWS * abs(asked):
        return ""
    words = f"{key} still reads {in_digits(reads)} {noun.unit}, as before"
    for other in facts.transducers:
        went = facts.percent(other, now.inputs[other].pressure) - facts.percent(
            other, old.inputs[other].pressure
        )
        if other != key and other not in step.driven and went * asked > 0 and abs(went) > MOVES:
            return f"{words}; {other} has moved instead: is it the right one, the right wires?"
    return f"{words}: is {in_digits(step.apply[key])} {noun.unit} on it, and nothing shut?"


def _far(facts: Facts, step: Step, key: str, now: Row) -> str:
    """Why a reading that has moved, but elsewhere, is asked about; "" when it is near enough."""
    noun, reads, applied = facts.transducers[key], now.inputs[key].pressure, step.apply[key]
    off = abs(facts.percent(key, reads) - facts.percent(key, applied))
    if off <= max(FAR, 3 * noun.tolerance_pct_span):
        return ""
    return (
        f"{key} stands still at {in_digits(reads)} {noun.unit}, far from {in_digits(applied)} "
        f"{noun.unit}: is that on it, and nothing shut?"
    )
