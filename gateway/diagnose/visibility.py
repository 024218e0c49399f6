"""What can't be seen: "no fault" and "cannot tell" are different answers.

For every transducer, the faults that its signal, the ends of its input, and what else the site
file names keep hidden, with the reason in words.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from gateway.measure.columns import columns
from gateway.plant.loops import Loop
from gateway.plant.signals import Signal
from gateway.plant.site import Site
from gateway.plant.transducers import Transducer

from .catalogue.faults import CATALOGUE
from .wire import supply_level


@dataclass(frozen=True)
class Hidden:
    """A fault that cannot be seen on one transducer, always or only under a condition."""

    fault: str
    why: str


@dataclass(frozen=True)
class _View:
    """What a rule may look at."""

    noun: Transducer
    signal: Signal
    low: float
    high: float
    """Ends of what the input can show, mA or V; infinite when it does not clamp."""
    supply: float
    loops: tuple[Loop, ...]

    @property
    def has_peer(self) -> bool:
        alike = [x for x in self.loops if x.combine not in ("sum", "difference")]
        return any(len(loop.transducers) > 1 for loop in alike)

    @property
    def knows_running(self) -> bool:
        return any(loop.running or loop.output for loop in self.loops)


Rule = Callable[[_View], str]
ALONE = "no other transducer of the loop measures the same pressure"


def hidden(site: Site, transducer_id: str) -> tuple[Hidden, ...]:
    """Faults that this transducer hides, in the catalogue's order; KeyError for an unknown id."""
    k = site.transducer_column(transducer_id)
    t = columns(site).transducers
    noun = site.transducers[transducer_id]
    view = _View(
        noun=noun,
        signal=noun.sends(),
        low=float(t.card_low[k]),
        high=float(t.card_high[k]),
        supply=float(supply_level(t)[k]),
        loops=tuple(site.loops[key] for key in site.loops_of(transducer_id)),
    )
    found = ((fault, rule(view)) for fault, rule in RULES.items())
    ordered = sorted((pair for pair in found if pair[1]), key=lambda p: list(CATALOGUE).index(p[0]))
    return tuple(Hidden(fault, why) for fault, why in ordered)


def loop_hidden(site: Site, loop_id: str) -> tuple[str, ...]:
    """What cannot be told of a loop's settings, in words; KeyError for an unknown id."""
    loop, out = site.loops[loop_id], []
    if not loop.feedback:
        out.append("combination-mismatch: the site file names no feedback point")
    if len(loop.transducers) > 1 and loop.combine in ("average", "minimum", "maximum", "sum"):
        out.append(
            "two inputs exchanged: the combined pressure stays the same, so only driving one "
            "input at a time shows it"
        )
    if not loop.running:
        out.append("a stop of the fan is told from the output alone, or not at all")
    return tuple(out)


def _open(v: _View) -> str:
    if v.signal.live_zero:
        return "" if v.low <= v.signal.open_below else "the input cannot show electrical zero"
    if not v.has_peer:
        return f"the signal has no live zero, and {ALONE}: a dead wire reads a believable 0 %"
    return "seen only while the fan runs: with the fan off a dead wire reads a rightful zero"


def _short(v: _View) -> str:
    if v.supply < float("inf"):
        return ""
    return f"the input ends at {v.high:g} {v.signal.unit}: a short looks like full scale"


def _failure(v: _View) -> str:
    low = v.signal.failure_low > float("-inf") and v.low <= v.signal.failure_low
    high = v.signal.failure_high < float("inf") and v.high > v.signal.failure_high
    if low and high:
        return ""
    if low:
        return "failing high is hidden: the input ends below the upper failure limit"
    if high:
        return "failing low is hidden: the signal or the input has no lower failure band"
    return "the signal has no failure band that the input can show"


def _undefined(v: _View) -> str:
    low = v.low < v.signal.measure_low and v.signal.measure_low > float("-inf")
    high = v.high > v.signal.measure_high
    return "" if low or high else "the signal has no band between measuring and failing here"


def _under(v: _View) -> str:
    if v.low >= v.signal.low and v.noun.range[0] >= 0:
        return "the signal rests at 0 % whatever lies below"
    return ""


def _peer(v: _View) -> str:
    return "" if v.has_peer else ALONE


def _running_peer(v: _View) -> str:
    if not v.has_peer:
        return ALONE
    return "" if v.knows_running else "nothing tells whether the fan runs"


def _swapped(v: _View) -> str:
    if v.noun.range[0] >= 0 or v.noun.range[1] <= 0:
        return "a range with one sign: the reading rests at its end, like a tube off"
    return _peer(v)


def _shown(v: _View) -> str:
    return "" if v.noun.controller_value else "the site file names no controller_value point"


def _negative(v: _View) -> str:
    if v.signal.unit == "mA":
        return "a current input reads nothing, as with an open circuit"
    return "" if v.low < 0 else "the input cannot show a negative voltage"


def _voltage(v: _View) -> str:
    return "" if v.signal.unit == "V" else "a current input is pulled to zero by its shunt"


RULES: dict[str, Rule] = {
    "open-circuit": _open,
    "short-circuit": _short,
    "device-failure-signal": _failure,
    "signal-undefined-band": _undefined,
    "reversed-polarity": _negative,
    "floating-input": _voltage,
    "flat-top": _peer,
    "under-range": _under,
    "ports-swapped": _swapped,
    "tube-off": _running_peer,
    "tube-restricted": _peer,
    "liquid-in-tube": _peer,
    "frozen": _peer,
    "zero-drift": _peer,
    "span-drift": _running_peer,
    "live-zero-mismatch": _shown,
    "signal-mismatch": _shown,
    "range-mismatch": _shown,
    "unit-mismatch": _shown,
    "percent-for-value": _shown,
}
"""Faults that a transducer's signal, input or context may hide. What is not here needs nothing but
the reading itself."""
