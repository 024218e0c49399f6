"""One row of readings as a loop check takes it: only its inputs and its loop, in their units."""

from __future__ import annotations

from math import isfinite, nan

from gateway.live import Snapshot
from gateway.loopcheck.plan import Facts
from gateway.loopcheck.settling import InputNow, Row
from gateway.measure.quality import WORDS, Quality, Reason
from gateway.plant.site import Site
from gateway.plant.units import from_pa


def row_of(site: Site, loop: str, facts: Facts, snapshot: Snapshot) -> Row | None:
    """The row of a check, None where it brought nothing new of any of its inputs.

    The loop and every transducer of the check must be in the site.
    """
    now = snapshot.readings
    columns = {key: site.transducer_column(key) for key in facts.transducers}
    if not any(now.fresh[0, column] for column in columns.values()):
        return None
    at = site.loop_column(loop)
    running = float(now.running[0, at])
    return Row(
        snapshot.time,
        {key: _input(facts, snapshot, key, column) for key, column in columns.items()},
        combined=_pressure(now.combined[0, at], facts.unit),
        feedback=_pressure(now.feedback[0, at], facts.unit),
        setpoint=_pressure(now.setpoint[0, at], facts.unit),
        output=_known(now.output[0, at]),
        running=bool(running) if isfinite(running) else None,
    )


def _input(facts: Facts, snapshot: Snapshot, key: str, column: int) -> InputNow:
    now, unit = snapshot.readings, facts.transducers[key].unit
    reason = Reason(int(now.reasons[0, column]))
    pascals = float(now.pressure[0, column])
    bad = now.quality[0, column] == Quality.BAD
    return InputNow(
        counts=float(now.counts[0, column]),
        electrical=float(now.electrical[0, column]),
        pressure=from_pa(pascals, unit) if isfinite(pascals) else nan,
        controller_value=_pressure(now.controller_value[0, column], unit),
        bad=WORDS[reason] if bad else "",
    )


def _pressure(pascals: float, unit: str) -> float | None:
    return from_pa(float(pascals), unit) if isfinite(pascals) else None


def _known(value: float) -> float | None:
    return float(value) if isfinite(value) else None
