"""What stands still of a loop or a transducer, as pages need it: names, units, ends of scales."""

from __future__ import annotations

from dataclasses import dataclass

from gateway.plant.loops import Loop
from gateway.plant.site import Site
from gateway.plant.transducers import Transducer
from gateway.plant.units import PASCALS, from_pa

from .differences import UNLIKE

LABELS = {
    "inH2O": "inH₂O",
    "inH2O_4C": "inH₂O (4 °C)",
    "inH2O_60F": "inH₂O (60 °F)",
    "mmH2O": "mmH₂O",
    "cmH2O": "cmH₂O",
}
"""Units that are shown otherwise than they are written in the site file."""
SAID = {
    "average": "average of",
    "minimum": "minimum of",
    "maximum": "maximum of",
    "median": "median of",
    "sum": "sum of",
    "difference": "difference of",
    "single": "from",
}


@dataclass(frozen=True)
class Still:
    """A transducer or a loop as far as it does not change.

    span: of the widest transducer; low, high: ends of the scale; all in `unit`, the site file's.
    """

    id: str
    name: str
    unit: str
    span: float
    low: float
    high: float


@dataclass(frozen=True)
class StillTransducer(Still):
    """`factor` turns its unit into the loop's. `name` is where it is."""

    factor: float
    about: str


@dataclass(frozen=True)
class StillLoop(Still):
    """`said`: how the pressures are combined, in words."""

    said: str
    output_unit: str
    limit_low: float | None
    limit_high: float | None
    door: bool
    transducers: tuple[StillTransducer, ...]


def still_transducer(key: str, noun: Transducer, loop_unit: str) -> StillTransducer:
    """One transducer as a loop in `loop_unit` shows it."""
    low, high = (f"{end:g}".replace("-", "\N{MINUS SIGN}") for end in noun.range)
    about = [f"{noun.signal}, {low} to {high} {label(noun.unit)}"]
    if noun.ports:
        about.append(noun.ports)
    return StillTransducer(
        id=key,
        name=noun.location,
        unit=noun.unit,
        span=noun.range[1] - noun.range[0],
        low=noun.range[0],
        high=noun.range[1],
        factor=PASCALS[noun.unit] / PASCALS[loop_unit],
        about="; ".join(about),
    )


def peers_of(site: Site, key: str) -> tuple[StillTransducer, ...]:
    """The others that measure the same pressure as a transducer; `factor` turns into its unit."""
    loops = [site.loops[k] for k in site.loops_of(key)]
    like = next((loop for loop in loops if loop.combine not in UNLIKE), None)
    others = [k for k in like.transducers if k != key] if like else []
    unit = site.transducers[key].unit
    return tuple(still_transducer(k, site.transducers[k], unit) for k in others)


def still_loop(site: Site, key: str, noun: Loop) -> StillLoop:
    """One loop with its transducers."""
    unit = site.loop_unit(key)
    members = [site.transducers[k] for k in noun.transducers]
    low = from_pa(min(t.lrv_pa for t in members), unit)
    high = from_pa(max(t.urv_pa for t in members), unit)
    return StillLoop(
        id=key,
        name=noun.name or key,
        unit=unit,
        span=max(from_pa(t.span_pa, unit) for t in members),
        low=low,
        high=high,
        said=f"{SAID[noun.combine]} {len(members) if len(members) > 1 else noun.transducers[0]}",
        output_unit=site.point(noun.output).unit if noun.output else "",
        limit_low=noun.limits.low,
        limit_high=noun.limits.high,
        door=noun.door is not None,
        transducers=tuple(
            still_transducer(k, t, unit) for k, t in zip(noun.transducers, members, strict=True)
        ),
    )


def label(unit: str) -> str:
    """A unit as people read it."""
    return LABELS.get(unit, unit)
