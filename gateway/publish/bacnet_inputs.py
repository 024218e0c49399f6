"""Which analog inputs a site has on the BACnet side. Pure: a site enters, descriptions leave."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import floor, log10

from gateway.plant.loops import Loop
from gateway.plant.site import Site
from gateway.plant.units import PASCALS, from_pa

from .bacnet_alarms import Terms
from .bacnet_codes import INCHES

COV_SHARE = 0.005
"""A change is told from this share of the span on (common practice, no source)."""


class Quantity(StrEnum):
    """What an input shows, in the order of the arrays in `Values`."""

    PRESSURE = "pressure"
    COMBINED = "combined pressure"
    FEEDBACK = "reported feedback"
    SETPOINT = "set point"
    OUTPUT = "output"


@dataclass(frozen=True)
class Input:
    """One analog input. Limits and increments in `unit`; `per_unit` is what one unit is inside.

    low, high: limits of a loop, the range of a transducer. watched: whether an alarm watches the
    low and the high one. reports: whether it has events.
    """

    name: str
    """Unique in the device, and what its instance number is remembered by."""
    description: str
    quantity: Quantity
    subject: str
    column: int
    """Of the transducer or the loop."""
    point: str
    """The point behind it; empty for a combined pressure."""
    unit: str
    per_unit: float
    cov_increment: float
    reports: bool = False
    low: float = 0.0
    high: float = 0.0
    watched: tuple[bool, bool] = (False, False)
    deadband: float = 0.0
    delay_s: float = 0.0

    @property
    def kind(self) -> str:
        """As in an alarm: transducer or loop."""
        return "transducer" if self.quantity is Quantity.PRESSURE else "loop"


def inputs(site: Site, terms: Mapping[str, Terms]) -> tuple[Input, ...]:
    """Every analog input, transducers first, in file order.

    terms: by loop id; how the limits of each loop are watched.
    """
    return (*_transducers(site), *_loops(site, terms))


def _transducers(site: Site) -> Iterator[Input]:
    for column, (key, noun) in enumerate(site.transducers.items()):
        yield Input(
            name=f"{key} {Quantity.PRESSURE}",
            description=_words(
                noun.location or f"Transducer {key}", noun.ports, INCHES.get(noun.unit, "")
            ),
            quantity=Quantity.PRESSURE,
            subject=key,
            column=column,
            point=noun.counts,
            unit=noun.unit,
            per_unit=PASCALS[noun.unit],
            cov_increment=_round(COV_SHARE * (noun.range[1] - noun.range[0])),
            reports=True,
            low=noun.range[0],
            high=noun.range[1],
        )


def _loops(site: Site, terms: Mapping[str, Terms]) -> Iterator[Input]:
    for column, (key, noun) in enumerate(site.loops.items()):
        yield _combined(site, column, key, terms[key])
        for quantity, point in _reported(noun):
            is_output = quantity is Quantity.OUTPUT
            unit = site.point(point).unit if is_output else site.loop_unit(key)
            words = f"{noun.name or key}: {quantity} as the controller gives it"
            yield Input(
                name=f"{key} {quantity}",
                description=_words(words, "" if is_output else INCHES.get(unit, "")),
                quantity=quantity,
                subject=key,
                column=column,
                point=point,
                unit=unit,
                # An output arrives in the unit of its point, pressures in Pa.
                per_unit=1.0 if is_output else PASCALS[unit],
                cov_increment=_output_step(noun) if is_output else _step(site, key),
            )


def _combined(site: Site, column: int, key: str, terms: Terms) -> Input:
    noun, unit = site.loops[key], site.loop_unit(key)
    low, high = noun.limits.low, noun.limits.high
    members = f"{noun.name or key}: {noun.combine} of {', '.join(noun.transducers)}"
    return Input(
        name=f"{key} {Quantity.COMBINED}",
        description=_words(members, INCHES.get(unit, "")),
        quantity=Quantity.COMBINED,
        subject=key,
        column=column,
        point="",
        unit=unit,
        per_unit=PASCALS[unit],
        cov_increment=_step(site, key),
        reports=True,
        low=0.0 if low is None else low,
        high=0.0 if high is None else high,
        watched=(low is not None, high is not None),
        deadband=from_pa(terms.deadband_Pa, unit),
        delay_s=terms.delay_s,
    )


def _step(site: Site, loop: str) -> float:
    spans = [site.transducers[k].span_pa for k in site.loops[loop].transducers]
    return _round(COV_SHARE * from_pa(max(spans), site.loop_unit(loop)))


def _reported(noun: Loop) -> Iterator[tuple[Quantity, str]]:
    for quantity, point in (
        (Quantity.FEEDBACK, noun.feedback),
        (Quantity.SETPOINT, noun.setpoint),
        (Quantity.OUTPUT, noun.output),
    ):
        if point is not None:
            yield quantity, point


def _output_step(noun: Loop) -> float:
    low, high = noun.output_range or (0.0, 100.0)
    return _round(COV_SHARE * abs(high - low)) if low != high else 1.0


def _round(step: float) -> float:
    """Two significant digits: nobody wants an increment of 0.624999."""
    return round(step, 1 - floor(log10(step)))


def _words(*parts: str) -> str:
    return "; ".join(part for part in parts if part)
