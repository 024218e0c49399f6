"""What is to be checked, how and by whom; and the facts it is judged by, as they were then."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from gateway.measure.columns import signal_step
from gateway.plant.loops import Loop
from gateway.plant.noun import Id, Noun
from gateway.plant.site import Site, SiteInfo
from gateway.plant.transducers import PressureUnit, Transducer
from gateway.plant.units import to_pa

from .acceptance import Rule

Scheme = Literal["five points", "three points", "one point", "zero"]
SEEN = r"^[^\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]*$"
"""No line ends, and nothing that turns the order of what is read."""
Name = Annotated[str, StringConstraints(min_length=1, max_length=80, pattern=SEEN)]
Words = Annotated[str, StringConstraints(max_length=500, pattern=SEEN)]

POINTS: dict[Scheme, tuple[float, ...]] = {
    "five points": (0.0, 25.0, 50.0, 75.0, 100.0),
    "three points": (0.0, 50.0, 100.0),
    "one point": (),
    "zero": (),
}
"""% of span, going up; down again through the same points."""


class Reference(Noun):
    """What applies or measures the pressure, as it is to stand in the record."""

    identity: Words = ""
    """Kind, maker's number: enough to find it again."""
    certificate: Words = ""
    """Number, laboratory, date, until when."""
    expanded: float | None = Field(default=None, gt=0)
    """Expanded uncertainty (half-width, 95 %) as used here, in `unit`; None: not stated."""
    unit: PressureUnit = "Pa"

    def standard_pa(self) -> float | None:
        """Standard uncertainty, Pa."""
        return None if self.expanded is None else to_pa(self.expanded, self.unit) / 2


class Plan(Noun):
    """What a person wants checked."""

    loop: Id
    transducers: tuple[Id, ...] = Field(min_length=1)
    """Those checked one by one, in this order."""
    scheme: Scheme = "five points"
    cycles: int = Field(default=1, ge=1, le=5)
    """Times through the points: 1 in the field, 3 and more for repeatability."""
    point: float = Field(default=50.0, ge=0, le=100)
    """% of span, of the scheme "one point"."""
    only_as_found: bool = False
    """Nothing will be adjusted: a look, not a calibration."""
    combined: bool = True
    """Also drive the inputs one at a time and in pairs and look at the feedback."""
    hands_free: bool = False
    """A reading that settles near what was asked for is taken without a word from the person."""
    rule: Rule = Rule.BY_RATIO
    adjust_pct_span: float | None = Field(default=None, gt=0, le=50)
    """Errors above this ask for adjustment; half the tolerance when left out."""
    reference: Reference = Reference()
    ambient: Words = ""
    """Temperature, pressure, draughts, state of the tubes."""

    @model_validator(mode="after")
    def _once(self) -> Self:
        if len(set(self.transducers)) != len(self.transducers):
            raise ValueError(f"transducers {list(self.transducers)}: each one once")
        return self


class Facts(Noun):
    """The part of the site that the check is about, and the program that made it."""

    site: SiteInfo
    loop: Loop
    unit: PressureUnit
    """Of the loop: combined pressure, feedback and set point."""
    transducers: Mapping[Id, Transducer]
    """Every transducer of the loop, in its order."""
    value_units: Mapping[Id, str]
    """Unit in which the controller itself gives each input; only those that the site names."""
    output_unit: str = ""
    signal_steps: Mapping[Id, float] = {}
    """Finest step of each signal that its input's point can show, mA or V. Not in checks begun by
    a program before this: there a step is one count of the card."""
    software: str

    def percent(self, transducer: str, pressure: float) -> float:
        """% of span of a pressure in the transducer's unit."""
        low, high = self.transducers[transducer].range
        return 100 * (pressure - low) / (high - low)

    def step(self, transducer: str) -> float:
        """Finest step of its signal that the input's point can show, in counts as the card has."""
        noun, found = self.transducers[transducer], self.signal_steps.get(transducer)
        return 1.0 if found is None else found / per_count(noun)

    def pressure(self, transducer: str, percent: float) -> float:
        """Pressure in the transducer's unit, to nine digits, at a % of span."""
        low, high = self.transducers[transducer].range
        return float(f"{low + (high - low) * percent / 100:.9g}")


def per_count(noun: Transducer) -> float:
    """Signal of a transducer for each count of its input, mA or V."""
    card = noun.input
    each = abs((card.electrical[1] - card.electrical[0]) / (card.counts[1] - card.counts[0]))
    return each * 1000 / card.shunt_ohm if card.shunt_ohm else each


def facts(site: Site, loop_id: str, software: str) -> Facts:
    """What a check of a loop has to know; KeyError for a loop that the site has not."""
    loop = site.loops[loop_id]
    members = {key: site.transducers[key] for key in loop.transducers}
    named = {key: noun.controller_value for key, noun in members.items() if noun.controller_value}
    return Facts(
        site=site.site,
        loop=loop,
        unit=site.loop_unit(loop_id),
        transducers=members,
        value_units={key: site.point(ref).unit for key, ref in named.items()},
        output_unit=site.point(loop.output).unit if loop.output else "",
        signal_steps={k: signal_step(n, site.point(n.counts)) for k, n in members.items()},
        software=software,
    )


def faults_of(plan: Plan, site: Site) -> list[tuple[str, str, str]]:
    """What in a plan does not fit the site: (field, value, what is allowed)."""
    if plan.loop not in site.loops:
        return [("loop", plan.loop, ", ".join(site.loops) or "the site has none")]
    members = site.loops[plan.loop].transducers
    return [
        ("transducers", key, f"of {plan.loop}: {', '.join(members)}")
        for key in plan.transducers
        if key not in members
    ]
