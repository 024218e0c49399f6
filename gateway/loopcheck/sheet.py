"""The commissioning sheet: what the specialist should find, before any wire is in place.

A site enters; for each loop what every input should read at 0 to 100 %, where failure begins, and
the settings to enter in the controller leave, as plain data. Nothing is read from a plant.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import Any

from gateway.measure.columns import step_of
from gateway.plant.loops import Loop
from gateway.plant.signals import Signal
from gateway.plant.site import Site
from gateway.plant.transducers import Transducer
from gateway.plant.units import PASCALS, from_pa, to_pa

from . import cautions
from .mistakes import combined_range
from .plan import facts

POINTS = (0.0, 25.0, 50.0, 75.0, 100.0)
COMBINED = {
    "average": "average of all inputs",
    "minimum": "lowest of all inputs",
    "maximum": "highest of all inputs",
    "median": "middle one of all inputs",
    "sum": "sum of all inputs",
    "difference": "first input minus second input",
    "single": "the one input",
}
Body = dict[str, Any]


def sheet(site: Site, loops: Sequence[str] = ()) -> Body:
    """Every loop, or those named; KeyError for one that the site has not."""
    return {
        "site": site.site.model_dump(),
        "loops": [_loop(site, key) for key in loops or site.loops],
        "cautions": list(cautions.ON_SHEET),
    }


def _loop(site: Site, key: str) -> Body:
    loop, unit = site.loops[key], site.loop_unit(key)
    feedback = site.point(loop.feedback).unit if loop.feedback else ""
    return {
        "id": key,
        "name": loop.name,
        "unit": unit,
        "transducers": [_transducer(site, k, place) for place, k in enumerate(loop.transducers, 1)],
        "settings": _settings(site, key, loop, unit),
        "feedback_unit": feedback or None,
    }


def _settings(site: Site, key: str, loop: Loop, unit: str) -> list[Body]:
    """What to find in the controller for the loop, in neutral words."""
    low, high = combined_range(facts(site, key, ""))
    found = [
        ("Feedback", COMBINED[loop.combine]),
        ("Feedback scale", _feedback_scale(site, loop, unit, (low, high))),
        ("Set point scale", _setpoint_scale(site, loop, unit, (low, high))),
        ("Direction of action", _action(loop)),
    ]
    if loop.output_range and loop.output:
        of = site.point(loop.output).unit
        found.append(("Output", f"{loop.output_range[0]:g} to {loop.output_range[1]:g} {of}"))
    limits = loop.limits
    if limits.low is not None or limits.high is not None:
        ends = ["none" if end is None else f"{end:g} {unit}" for end in (limits.low, limits.high)]
        found.append(("Limits watched", f"low {ends[0]}, high {ends[1]}"))
    return [{"name": name, "value": value} for name, value in found]


def _feedback_scale(site: Site, loop: Loop, unit: str, ends: tuple[float, float]) -> str:
    """In the unit of the controller, where the site file names the point."""
    if loop.feedback is None:
        return f"{ends[0]:g} to {ends[1]:g} {unit}"
    own = site.point(loop.feedback).unit
    low, high = (from_pa(to_pa(end, unit), own) for end in ends)
    return f"{low:.6g} to {high:.6g} {own}"


def _setpoint_scale(site: Site, loop: Loop, unit: str, ends: tuple[float, float]) -> str:
    if loop.setpoint is None:
        return f"inside {ends[0]:g} to {ends[1]:g} {unit}"
    point = site.point(loop.setpoint)
    if point.unit not in PASCALS:
        return f"inside {ends[0]:g} to {ends[1]:g} {unit}"
    low, high = (from_pa(to_pa(end, unit), point.unit) for end in ends)
    step = f", in steps of {step_of(point):g}" if not point.type.startswith("float") else ""
    return f"{low:.6g} to {high:.6g} {point.unit}{step} (register {loop.setpoint})"


def _action(loop: Loop) -> str:
    if loop.action == "reverse":
        return "reverse: the output rises while the feedback is below the set point"
    return "direct: the output rises while the feedback is above the set point"


def _transducer(site: Site, key: str, place: int) -> Body:
    noun = site.transducers[key]
    signal = noun.sends()
    own = site.point(noun.controller_value) if noun.controller_value else None
    value_unit = own.unit if own and own.unit in PASCALS else None
    return {
        "id": key,
        "place": place,
        "location": noun.location,
        "ports": noun.ports,
        "signal": noun.signal,
        "signal_unit": signal.unit,
        "input_unit": noun.input.unit,
        "shunt_ohm": noun.input.shunt_ohm,
        "unit": noun.unit,
        "value_unit": value_unit,
        "points": [_point(site, noun, signal, percent, value_unit) for percent in POINTS],
        "bands": _bands(site, noun, signal),
        "settings": [{"name": n, "value": v} for n, v in _input_settings(noun, signal, value_unit)],
        "registers": {"counts": noun.counts, "value": noun.controller_value},
    }


def _point(
    site: Site, noun: Transducer, signal: Signal, percent: float, value_unit: str | None
) -> Body:
    low, high = noun.range
    pressure = low + (high - low) * percent / 100
    sent = signal.low + (signal.high - signal.low) * percent / 100
    value = None if value_unit is None else from_pa(to_pa(pressure, noun.unit), value_unit)
    return {
        "percent": percent,
        "pressure": _short(pressure),
        "sent": _short(sent),
        "at_input": _short(_at_input(noun, sent)),
        "counts": counts_at(site, noun, sent),
        "value": None if value is None else _short(value),
    }


def _at_input(noun: Transducer, sent: float) -> float:
    """What a meter across the input shows, in the input's unit."""
    return sent * noun.input.shunt_ohm / 1000 if noun.input.shunt_ohm else sent


def counts_at(site: Site, noun: Transducer, sent: float) -> float | None:
    """What the input's point shows for a signal, mA or V; None where it cannot show it.

    In its own steps: whole counts, or tenths of a volt.
    """
    card = noun.input
    (first, last), (low, high) = card.counts, card.electrical
    share = (_at_input(noun, sent) - low) / (high - low)
    if card.clamps and not -1e-9 <= share <= 1 + 1e-9:
        return None
    shown, point = first + share * (last - first), site.point(noun.counts)
    if step := step_of(point):
        shown = point.offset + round((shown - point.offset) / step) * step
    return round(shown) if shown == round(shown) else _short(shown)


def _bands(site: Site, noun: Transducer, signal: Signal) -> list[Body]:
    """Where the signal means something else than a pressure."""
    found = [
        ("nothing connected, or a broken wire", "at or below", signal.open_below),
        ("the device reports its own failure", "at or below", signal.failure_low),
        ("measurement begins", "from", signal.measure_low),
        ("measurement ends", "to", signal.measure_high),
        ("the device reports its own failure", "at or above", signal.failure_high),
        ("the supply on the input", "at or above", signal.short_above),
    ]
    return [
        {
            "means": means,
            "side": side,
            "sent": _short(at),
            "at_input": _short(_at_input(noun, at)),
            "counts": counts_at(site, noun, at),
        }
        for means, side, at in found
        if isfinite(at)
    ]


def _input_settings(
    noun: Transducer, signal: Signal, value_unit: str | None
) -> list[tuple[str, str]]:
    low, high = noun.range
    unit = value_unit or noun.unit
    ends = [from_pa(to_pa(end, noun.unit), unit) for end in (low, high)]
    ends_at = [_at_input(noun, end) for end in (signal.low, signal.high)]
    at = f"{ends_at[0]:g} to {ends_at[1]:g} {noun.input.unit}"
    live = "on" if signal.live_zero else "off"
    found = [
        ("Input signal", at),
        ("Live zero", f"{live} ({ends_at[0]:g} {noun.input.unit} is the range minimum)"),
        ("Range minimum", f"{ends[0]:.6g} {unit}"),
        ("Range maximum", f"{ends[1]:.6g} {unit}"),
        ("Unit", unit),
    ]
    if noun.input.shunt_ohm:
        found.insert(1, ("Resistor at the input", f"{noun.input.shunt_ohm:g} ohm"))
    return found


def _short(value: float) -> float:
    """Six digits: a sheet is read by people."""
    return float(f"{value:.6g}") + 0.0
