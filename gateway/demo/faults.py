"""Everything that can be broken in the demo plant, as data.

A kind says which part it sits in; the part does the physics (`tube`, `device`, `wire`, `card`,
`input` for the controller's setting of an input, `drive`, `space`, `link`). Where a kind has the
name of a fault in the catalogue of diagnosis, that is what it should be found as; else `finding`
says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from gateway.errors import LoopwitnessError
from gateway.plant.loops import Loop
from gateway.plant.site import Site
from gateway.plant.transducers import Transducer

from .drive import COMBINATIONS


class FaultError(LoopwitnessError):
    """A fault that cannot be switched: unknown, not possible there, or of an absurd size."""


@dataclass(frozen=True)
class Fault:
    """One fault that is switched on. `size` in the unit that its kind gives; 0 where none."""

    kind: str
    subject: str
    size: float


@dataclass(frozen=True)
class FaultKind:
    """A way to fail. `unit` is empty where there is no size; `low`/`high` bound the size."""

    kind: str
    part: str
    title: str
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    finding: str = ""
    """The catalogue's name for it, where that differs from `kind`."""

    @property
    def expected(self) -> str:
        """The fault that a diagnosis should name."""
        return self.finding or self.kind


_PA = "Pa"
KINDS: dict[str, FaultKind] = {
    one.kind: one
    for one in (
        FaultKind("open-circuit", "wire", "Wire broken"),
        FaultKind("short-circuit", "wire", "Supply on the input"),
        FaultKind("short-to-common", "wire", "Input shorted to common", finding="open-circuit"),
        FaultKind("reversed-polarity", "wire", "Wires exchanged"),
        FaultKind("floating-input", "wire", "Input floats, no pull-down"),
        FaultKind("intermittent-wiring", "wire", "Loose wire", "share of time", 0.01, 0.99),
        FaultKind("device-failure-signal", "device", "Device reports failure", "mA or V", 0, 24),
        FaultKind("flat-top", "device", "Supply sags", "V of supply", 0, 40),
        FaultKind("tube-off", "tube", "Tube off the high port"),
        FaultKind("ports-swapped", "tube", "Tubes exchanged"),
        FaultKind("tube-restricted", "tube", "Tube nearly closed", "s", 1, 1e5),
        FaultKind("liquid-in-tube", "tube", "Water in a tube", _PA, -5000, 5000),
        FaultKind(
            "calibrator",
            "tube",
            "Calibrator on its ports (no fault)",
            "in its unit",
            -5000,
            5000,
            finding="none",
        ),
        FaultKind("frozen", "card", "Input card stuck"),
        FaultKind("device-stuck", "device", "Transducer stuck", finding="frozen"),
        FaultKind("zero-shift", "device", "Zero shifts at once", _PA, -5000, 5000, "zero-drift"),
        FaultKind("zero-drift", "device", "Zero drifts", "Pa/h", -1e5, 1e5),
        FaultKind("span-drift", "device", "Span off", "% of reading", -90, 900),
        FaultKind("excess-noise", "device", "Noisy", "Pa standard deviation", 0, 5000),
        FaultKind("spikes", "device", "Spikes", _PA, -5000, 5000),
        FaultKind("live-zero-mismatch", "input", "Live zero set wrongly"),
        FaultKind("signal-mismatch", "input", "Signal doubled (shunt or volts)"),
        FaultKind("range-mismatch", "input", "Range set wrongly", "far end", -1e6, 1e6),
        FaultKind("unit-mismatch", "input", "Unit set wrongly", "times", 1e-6, 1e6),
        FaultKind("percent-for-value", "input", "Percent shown for pressure"),
        FaultKind("combination-mismatch", "drive", "Combination set wrongly", "number", 0, 3),
        FaultKind("inputs-swapped", "drive", "First two inputs exchanged", finding="none"),
        FaultKind("action-reversed", "drive", "Action reversed"),
        FaultKind("setpoint-outside-range", "drive", "Set point beyond the range", "", -1e6, 1e6),
        FaultKind("setpoint-above-safe-limit", "drive", "Set point beyond limits", "", -1e6, 1e6),
        FaultKind("hunting", "drive", "Integral time too short", "times shorter", 1, 1000),
        FaultKind("sleep-cycling", "drive", "Sleep set too eagerly"),
        FaultKind("fan-stopped", "drive", "Fan switched off (no fault)", finding="none"),
        FaultKind("door-held-open", "space", "Door held open", "m2", 0, 5, "setpoint-not-held"),
        FaultKind("leak", "space", "Opening left open", "m2", 0, 5, "setpoint-not-held"),
        FaultKind("filter-blocked", "space", "Filter loaded", "times", 1, 100, "output-saturated"),
        FaultKind("no-communication", "link", "Stops answering"),
        FaultKind("bad-reply", "link", "Answers with exceptions"),
        FaultKind("slow-answers", "link", "Answers late", "s", 0, 60, "no-communication"),
        FaultKind("stale-data", "link", "Registers stand still"),
    )
}
"""Kind -> what it is, in the order of the page."""

ABOUT = {
    "tube": "transducer", "device": "transducer", "wire": "transducer", "card": "transducer",
    "input": "transducer", "drive": "loop", "space": "loop", "link": "controller",
}  # fmt: skip
"""Part -> what a fault in it is switched on for."""


def possible(site: Site, subject: str) -> tuple[FaultKind, ...]:
    """The kinds that a transducer, loop or controller can suffer; FaultError if unknown."""
    if subject in site.transducers:
        noun = site.transducers[subject]
        return tuple(k for k in KINDS.values() if _in_transducer(k, noun))
    if subject in site.loops:
        loop = site.loops[subject]
        return tuple(k for k in KINDS.values() if _in_loop(k, loop))
    if subject in site.controllers:
        return tuple(k for k in KINDS.values() if ABOUT[k.part] == "controller")
    known = [*site.transducers, *site.loops, *site.controllers]
    raise FaultError(f"subject {subject!r}; allowed: {', '.join(known)}")


def checked(site: Site, kind: str, subject: str, size: float | None) -> Fault:
    """The fault, with its usual size where `size` is None; FaultError with what is allowed."""
    kinds = possible(site, subject)
    found = next((k for k in kinds if k.kind == kind), None)
    if found is None:
        allowed = ", ".join(k.kind for k in kinds)
        raise FaultError(f"kind {kind!r} for {subject}; allowed: {allowed}")
    if found.low == found.high:
        return Fault(kind, subject, 0.0)
    size = usual_size(site, kind, subject) if size is None else size
    if not (isfinite(size) and found.low <= size <= found.high):
        allowed = f"{found.low:g} to {found.high:g} {found.unit}".rstrip()
        raise FaultError(f"size {size} of {kind} for {subject}; allowed: {allowed}")
    return Fault(kind, subject, size)


def usual_size(site: Site, kind: str, subject: str) -> float:
    """A size worth showing: clearly a fault, yet believable. 0 where the kind has no size."""
    if subject in site.transducers:
        return _usual_in_transducer(kind, site.transducers[subject])
    if subject in site.loops:
        return _usual_in_loop(site, kind, subject)
    return 3.0 if kind == "slow-answers" else 0.0


def _in_transducer(kind: FaultKind, noun: Transducer) -> bool:
    if ABOUT[kind.part] != "transducer":
        return False
    if kind.kind == "floating-input":
        return noun.input.unit == "V" and noun.input.shunt_ohm is None
    return kind.kind != "device-failure-signal" or noun.sends().live_zero


def _in_loop(kind: FaultKind, loop: Loop) -> bool:
    if ABOUT[kind.part] != "loop":
        return False
    if kind.kind == "door-held-open":
        return loop.door is not None
    if kind.kind == "setpoint-above-safe-limit":
        return loop.limits.low is not None and loop.limits.high is not None
    return kind.kind != "inputs-swapped" or len(loop.transducers) > 1


def _usual_in_transducer(kind: str, noun: Transducer) -> float:
    span, signal = noun.span_pa, noun.sends()
    far = max(noun.range, key=abs)
    sizes: dict[str, float] = {
        "intermittent-wiring": 0.2,
        "device-failure-signal": 3.5 / 4.0 * signal.low,
        # The ceiling comes to lie where the archive's loops hold, so that it shaves the tops.
        "flat-top": 19.6 if signal.unit == "mA" else 8.9 if signal.live_zero else 7.1,
        "tube-restricted": 60.0,
        "liquid-in-tube": 0.12 * span,
        "calibrator": 0.5 * far,
        "zero-shift": 0.06 * span,
        "zero-drift": 0.05 * span,
        "span-drift": 12.0,
        "excess-noise": 0.03 * span,
        "spikes": 0.3 * span,
        "range-mismatch": 2.0 * far,
        "unit-mismatch": 25.4 if noun.unit == "inH2O" else 1.0 / 9.80665,
    }
    return sizes.get(kind, 0.0)


def _usual_in_loop(site: Site, kind: str, subject: str) -> float:
    loop = site.loops[subject]
    unit = site.loop_unit(subject)
    noun = site.transducers[loop.transducers[0]]
    # In the loop's unit: the end of the range, and the limit, that the set point lies towards.
    far = max(noun.range, key=abs) * (1.0 if noun.unit == unit else 0.0)
    limit = loop.limits.low if far < 0 else loop.limits.high
    other = "maximum" if loop.combine == "minimum" else "minimum"
    sizes: dict[str, float] = {
        "combination-mismatch": float(tuple(COMBINATIONS).index(other)),
        "setpoint-outside-range": 1.2 * far,
        "setpoint-above-safe-limit": 1.1 * (limit or 0.0),
        "hunting": 40.0,
        "door-held-open": 0.9,
        "leak": 0.35,
        "filter-blocked": 16.0,
    }
    return sizes.get(kind, 0.0)
