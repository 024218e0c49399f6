"""What one transducer's signal, input and company let anyone see: facts for the rules of hiding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot, inf, sqrt
from typing import Literal, TypeAlias

import numpy as np

from gateway.measure.columns import columns
from gateway.measure.uncertainty import COVERAGE, standard_uncertainty
from gateway.plant.loops import Loop
from gateway.plant.signals import Signal
from gateway.plant.site import Site
from gateway.plant.transducers import Transducer
from gateway.plant.units import from_pa, in_digits, to_pa

from .deadinput import CLEAR
from .wire import supply_level

Extent: TypeAlias = Literal["never", "partly", "absent"]
"""never: not seen here, or only under another name; partly: only under the condition told;
absent: it cannot arise here."""
Reason: TypeAlias = tuple[Extent, str]


@dataclass(frozen=True)
class Outlook:
    """Of one transducer; pressures in Pa, electrical ends in mA or V."""

    noun: Transducer
    signal: Signal
    low: float
    high: float
    """Ends of what the input can show; infinite when it does not clamp."""
    supply: float
    """Signal from which a short is told from the device itself; infinite where it never is."""
    loops: tuple[Loop, ...]
    alone: str
    """Why it has no peer, empty when it has one."""
    dead_from: float
    """How far peers must be from the end at which a dead input rests for it to be doubted."""
    nothing_from: float
    """What they must read for a reading of nothing, or of the wrong sign, to be doubted."""
    reaches: float
    """The furthest from zero that the site file wants any of its loops to be."""
    shown_in: str
    """Unit of the controller's own value, empty without one."""

    @property
    def width(self) -> float:
        """From 0 to 100 % of the signal, mA or V."""
        return self.signal.high - self.signal.low

    @property
    def peers(self) -> int:
        """Other transducers that measure the same pressure."""
        return max((len(p.transducers) - 1 for p in self.loops if alike(p)), default=0)

    @property
    def tells_stop(self) -> bool:
        """Whether anything says that the fan stands."""
        return any(tells_stop(loop) for loop in self.loops)

    def pressure(self, pascals: float) -> str:
        """A pressure in words."""
        return f"{in_digits(from_pa(pascals, self.noun.unit), 3)} {self.noun.unit}"

    def electrical(self, value: float) -> str:
        """A signal in words."""
        return f"{value:.4g} {self.signal.unit}"


def outlooks(site: Site, time: float) -> dict[str, Outlook]:
    """By transducer. time: seconds since 1970, since uncertainty grows with the years."""
    t = columns(site).transducers
    supply = supply_level(t)
    u = dict(zip(t.ids, standard_uncertainty(np.array([time]), t)[0].tolist(), strict=True))
    found = {}
    for k, (key, noun) in enumerate(site.transducers.items()):
        loops = {loop_id: site.loops[loop_id] for loop_id in site.loops_of(key)}
        worst = max((u[m] for loop in loops.values() for m in loop.transducers), default=u[key])
        place = [to_pa(p.place_difference, site.loop_unit(loop_id)) for loop_id, p in loops.items()]
        point = noun.controller_value
        found[key] = Outlook(
            noun=noun,
            signal=noun.sends(),
            low=float(t.card_low[k]),
            high=float(t.card_high[k]),
            supply=float(supply[k]),
            loops=tuple(loops.values()),
            alone=_why_alone(loops),
            dead_from=CLEAR * COVERAGE * sqrt(2) * u[key] + max(place, default=0.0),
            nothing_from=CLEAR * COVERAGE * hypot(u[key], worst),
            reaches=max((_reaches(site, loop_id) for loop_id in loops), default=0.0),
            shown_in=site.point(point).unit if point else "",
        )
    return found


def alike(loop: Loop) -> bool:
    """Whether its members measure the same pressure."""
    return loop.combine not in ("sum", "difference")


def tells_stop(loop: Loop) -> bool:
    """Whether anything says that its fan stands."""
    return bool(loop.running or (loop.output and loop.output_range))


def _why_alone(loops: Mapping[str, Loop]) -> str:
    if any(alike(loop) and len(loop.transducers) > 1 for loop in loops.values()):
        return ""
    if not loops:
        return "no loop uses it, so nothing is compared with it"
    if any(len(loop.transducers) > 1 for loop in loops.values()):
        return "the others of its loop measure other pressures"
    return "no other transducer of its loop measures the same pressure"


def _reaches(site: Site, loop_id: str) -> float:
    """Pa; infinite where the site file does not bound it on both sides."""
    low, high = site.loops[loop_id].limits.low, site.loops[loop_id].limits.high
    if low is None or high is None:
        return inf
    return to_pa(max(abs(low), abs(high)), site.loop_unit(loop_id))
