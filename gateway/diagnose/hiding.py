"""Why a fault of one transducer stays hidden: a rule for each fault that anything can hide."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from math import isfinite
from typing import TypeAlias

from gateway.measure.scale import RANGE_MARGIN
from gateway.plant.units import PASCALS

from . import loosewire, mistakes
from .outlook import Outlook, Reason
from .polarity import BELOW

Rule: TypeAlias = Callable[[Outlook], Reason | None]
SAME = 0.5
"""% of span within which two lines are one to anybody who looks."""


def _peer(o: Outlook) -> Reason | None:
    return ("never", o.alone) if o.alone else None


def _away(o: Outlook, why: str, away: float, place: str) -> Reason:
    """Seen only while the peers are far enough away."""
    need = f"{o.pressure(away)} {place}"
    if away > o.reaches:
        return "never", f"{why}; the others would have to read {need}, beyond the loop's limits"
    return "partly", f"{why}; seen only while the others read more than {need}"


def _open(o: Outlook) -> Reason | None:
    if o.signal.live_zero:
        if o.low <= o.signal.open_below:
            return None
        looks = "device-failure-signal" if o.low <= o.signal.failure_low else "0 %"
        return "never", f"the input ends at {o.electrical(o.low)}: a dead wire looks like {looks}"
    share = -o.signal.low / o.width
    reads = f"{o.pressure(o.noun.lrv_pa + share * o.noun.span_pa)}"
    why = f"a dead wire reads a believable {reads}"
    if o.alone:
        return "never", f"{why}, and {o.alone}"
    return _away(o, why, o.dead_from, f"away from {reads}")


def _short(o: Outlook) -> Reason | None:
    if isfinite(o.supply):
        return None
    why = f"the input ends at {o.electrical(o.high)}: a short looks like over-range"
    if o.alone:
        return "never", f"{why}, and {o.alone}"
    far = o.pressure(o.dead_from)
    return "partly", f"{why}; seen only while the others read more than {far} below full scale"


def _failure(o: Outlook) -> Reason | None:
    s = o.signal
    if not isfinite(s.failure_high):
        return "never", f"a {s.name} signal has no failure band"
    low = "" if o.low <= s.failure_low else "low"
    high = "" if o.high >= s.failure_high else "high"
    if not (low or high):
        return None
    begins = s.failure_low if low else s.failure_high
    if not isfinite(begins):
        why = f"a {s.name} signal cannot fail low"
    else:
        end = o.electrical(o.low if low else o.high)
        why = f"failing {low or high} begins at {o.electrical(begins)}, the input ends at {end}"
    return "never" if low and high else "partly", why


def _undefined(o: Outlook) -> Reason | None:
    s = o.signal
    if not isfinite(s.measure_high):
        return "absent", f"a {s.name} signal has no such band"
    below = o.low < s.measure_low or not isfinite(s.measure_low)
    above = o.high > s.measure_high
    if below and above:
        return None
    begins, end = (s.measure_low, o.low) if above else (s.measure_high, o.high)
    why = f"a band begins at {o.electrical(begins)}, the input ends at {o.electrical(end)}"
    seen = (below and isfinite(s.measure_low)) or above
    return "partly" if seen else "never", why


def _reversed(o: Outlook) -> Reason | None:
    if o.signal.low < 0:
        return "never", "a signal of both signs: it looks like ports-swapped"
    looks = "open-circuit" if o.signal.live_zero else "0 %"
    if o.low >= -BELOW * o.width:
        return "never", f"the input ends at {o.electrical(o.low)}: it looks like {looks}"
    if o.signal.unit == "mA":
        return "partly", f"a two-wire transmitter blocks the wrong way: it looks like {looks}"
    return None


def _loose(o: Outlook) -> Reason | None:
    if not o.signal.live_zero:
        stands = o.electrical(loosewire.CLEAR * o.width)
        return "partly", f"a drop is seen only from a signal of more than {stands}"
    if o.low <= o.signal.failure_low:
        return None
    return "never", f"the input ends at {o.electrical(o.low)}: a drop looks like 0 %"


def _floating(o: Outlook) -> Reason | None:
    if o.signal.unit == "mA":
        return "absent", "a shunt pulls a current input to zero: that is an open-circuit"
    return _peer(o)


def _swapped(o: Outlook) -> Reason | None:
    if o.noun.range[0] >= 0 or o.noun.range[1] <= 0:
        return "never", "a range of one sign rests at its end: it looks like tube-off"
    return _tube(o)


def _tube(o: Outlook) -> Reason | None:
    why = "without pressure it reads rightly"
    return _peer(o) or _away(o, why, o.nothing_from, "away from zero")


def _under(o: Outlook) -> Reason | None:
    if o.low < o.signal.low - RANGE_MARGIN * o.width:
        return None
    if o.low >= o.signal.low and o.noun.range[0] < 0:
        return None
    return "never", f"the input ends at {o.electrical(o.low)}: 0 % is shown whatever lies below"


def _frozen(o: Outlook) -> Reason | None:
    return None if any(len(loop.transducers) > 1 for loop in o.loops) else _peer(o)


def _zero(o: Outlook) -> Reason | None:
    witness = o.peers > 1 or o.tells_stop or any(loop.output for loop in o.loops)
    if o.alone or witness:
        return _peer(o)
    return "partly", "no point tells of the fan: which of two has drifted stays a disagreement"


def _span(o: Outlook) -> Reason | None:
    if o.alone or o.tells_stop:
        return _peer(o)
    return "never", "no point tells when the fan stands: it looks like zero-drift"


def _shown(o: Outlook) -> Reason | None:
    return None if o.shown_in else ("never", "the site file names no controller_value point")


def _live_zero(o: Outlook) -> Reason | None:
    if not any(m.fault == mistakes.LIVE for m in mistakes.of_signal(o.signal.name)):
        return "absent", f"a {o.signal.name} signal has no live zero to mistake"
    return _shown(o) or _lookalike(o, mistakes.LIVE)


def _signal(o: Outlook) -> Reason | None:
    found = _shown(o) or _lookalike(o, mistakes.SIGNAL)
    if found is None and o.signal.name == "4-20 mA":
        return "partly", "a 2-10 V device on 500 ohm, or 1-5 V on 250 ohm, reads right"
    return found


def _percent(o: Outlook) -> Reason | None:
    if o.shown_in and not _lines(o, mistakes.PERCENT):
        return "absent", f"the range is 0 to 100 {o.shown_in}: both are the same number"
    return _shown(o) or _lookalike(o, mistakes.PERCENT)


def _unit(o: Outlook) -> Reason | None:
    if not o.shown_in:
        return _shown(o)
    size = PASCALS[o.shown_in]
    apart = {unit: abs(pascals / size - 1) for unit, pascals in PASCALS.items()}
    near = [u for u, x in apart.items() if mistakes.SAME_UNIT <= x < mistakes.NO_MISTAKE]
    if near:
        larger = max(apart[unit] for unit in near)
        return (
            "partly",
            f"{' or '.join(near)} for {o.shown_in} differs by {100 * larger:.1f} % only",
        )
    return _lookalike(o, mistakes.UNIT)


def _lines(o: Outlook, fault: int) -> list[mistakes.Mistake]:
    known = _known(o.signal.name, o.noun.lrv_pa, o.noun.span_pa, o.shown_in)
    return [m for m in known if m.fault == fault]


def _lookalike(o: Outlook, fault: int) -> Reason | None:
    return _twin(o.signal.name, o.noun.lrv_pa, o.noun.span_pa, o.shown_in, fault)


@lru_cache(maxsize=1024)
def _known(signal: str, lrv: float, span: float, unit: str) -> tuple[mistakes.Mistake, ...]:
    return mistakes.of_signal(signal) + mistakes.of_unit(lrv, span, PASCALS[unit])


@lru_cache(maxsize=1024)
def _twin(signal: str, lrv: float, span: float, unit: str, fault: int) -> Reason | None:
    """Another mistake that shows the same numbers over the whole range."""
    known = _known(signal, lrv, span, unit)
    for mine in (m for m in known if m.fault == fault):
        for other in (m for m in known if m.fault != fault):
            bottom = mine.offset - other.offset
            top = bottom + 100 * (mine.gain - other.gain)
            if max(abs(bottom), abs(top)) <= SAME:
                named = mistakes.FAULTS[other.fault]
                return "partly", f"{mine.words} looks like {named} ({other.words})"
    return None


RULES: dict[str, Rule] = {
    "reversed-polarity": _reversed,
    "intermittent-wiring": _loose,
    "open-circuit": _open,
    "short-circuit": _short,
    "device-failure-signal": _failure,
    "signal-undefined-band": _undefined,
    "floating-input": _floating,
    "flat-top": _peer,
    "ports-swapped": _swapped,
    "tube-off": _tube,
    "liquid-in-tube": _peer,
    "tube-restricted": _peer,
    "under-range": _under,
    "frozen": _frozen,
    "excess-noise": _peer,
    "spikes": _peer,
    "zero-drift": _zero,
    "span-drift": _span,
    "live-zero-mismatch": _live_zero,
    "signal-mismatch": _signal,
    "unit-mismatch": _unit,
    "percent-for-value": _percent,
    "range-mismatch": _shown,
}
"""A fault of one transducer that is not here is seen from its reading alone: over-range."""
