"""From rows that stand still to one recorded reading."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from .events import LoopSeen, Recorded, Seen
from .settling import InputNow, Row
from .steps import Step


def recorded(
    step: Step,
    shown: Mapping[str, float],
    rows: Sequence[Row],
    since: Sequence[Row],
    *,
    person: str,
    forced: str = "",
) -> Recorded:
    """The reading of a step: means over `rows`.

    shown: what the reference shows where it differs from what was asked for. since: all rows
    since the pressure was applied, to tell which way the output went. ValueError without a row.
    """
    if not rows:
        raise ValueError("no rows to take a reading of")
    return Recorded(
        time=rows[-1].time,
        person=person,
        step=step.key,
        applied={**step.apply, **shown},
        seen={key: _seen([row.inputs[key] for row in rows]) for key in rows[-1].inputs
              if all(np.isfinite(row.inputs[key].pressure) for row in rows)},
        loop=_loop(rows, since),
        readings=len(rows),
        seconds=round(rows[-1].time - rows[0].time, 3),
        forced=forced,
    )  # fmt: skip


def _seen(rows: Sequence[InputNow]) -> Seen:
    pressures = [row.pressure for row in rows]
    return Seen(
        counts=_digits(_mean([row.counts for row in rows])),
        electrical=_digits(_mean([row.electrical for row in rows])),
        pressure=_digits(_mean(pressures)),
        controller_value=_optional_mean([row.controller_value for row in rows]),
        deviation=_digits(float(np.std(pressures, ddof=1)) if len(pressures) > 1 else 0.0),
    )


def _loop(rows: Sequence[Row], since: Sequence[Row]) -> LoopSeen:
    outputs = [row.output for row in since if row.output is not None]
    running = [row.running for row in rows if row.running is not None]
    return LoopSeen(
        combined=_optional_mean([row.combined for row in rows]),
        feedback=_optional_mean([row.feedback for row in rows]),
        setpoint=_optional_mean([row.setpoint for row in rows]),
        output=_optional_mean([row.output for row in rows]),
        output_moved=_digits(outputs[-1] - outputs[0]) if len(outputs) > 1 else None,
        running=all(running) if running else None,
    )


def _optional_mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return _digits(_mean(known)) if len(known) == len(values) else None


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)


def _digits(value: float) -> float:
    """Nine digits: far more than any input tells, and short in the record."""
    return float(f"{value:.9g}")
