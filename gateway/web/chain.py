"""From counts to pressure, step by step, and what a meter at the terminals should read."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

from pydantic import BaseModel, Field

from gateway.measure.columns import TransducerColumns, columns
from gateway.measure.uncertainty import COVERAGE, budget
from gateway.plant.site import Site
from gateway.plant.units import PASCALS, to_pa
from gateway.views import number, rounded

DIGITS = 9
"""Of pressures, signals and counts."""
BANDS = ("open_below", "failure_low", "measure_low", "measure_high", "failure_high", "short_above")


class PointOfChain(BaseModel):
    """One pressure, and what it is at every step of the chain."""

    what: str
    pressure: float = Field(description="In the unit of the transducer.")
    percent: float
    electrical: float = Field(description="mA or V at the terminals of the input.")
    shunt_V: float | None = Field(description="Volts across the shunt, where there is one.")
    counts: float
    reaches: bool = Field(description="False: the input stops before it.")


class ChainView(BaseModel):
    """The chain of one transducer as the site file describes it."""

    unit: str
    electrical_unit: str
    counts: tuple[float, float] = Field(description="At the lower and upper range value.")
    electrical: tuple[float, float] = Field(description="The same in mA or V.")
    pressure: tuple[float, float] = Field(description="Lower and upper range value.")
    ends: tuple[float, float] | None = Field(
        description="Lowest and highest mA or V that the input can show; null: not limited."
    )
    bands: dict[str, float] = Field(
        description="Where measurement ends and failure begins, mA or V; those that the signal has."
    )
    shunt_ohm: float | None
    count: float | None = Field(
        description="mA or V of one count, or of the finest step that the input's point can show."
    )
    within: float | None = Field(
        description="Expanded uncertainty of the transducer in mA or V: how far a meter may be off."
    )
    points: list[PointOfChain] = Field(description="Where to look with a meter.")


@dataclass(frozen=True)
class _Line:
    """The straight line of one transducer, counts to signal to pressure in its own unit."""

    t: TransducerColumns
    k: int
    pascals: float
    shunt: float | None

    def point(self, what: str, pressure: float) -> PointOfChain:
        t, k = self.t, self.k
        share = (pressure * self.pascals - float(t.lrv[k])) / float(t.span[k])
        low, high = float(t.signal_low[k]), float(t.signal_high[k])
        electrical = low + share * (high - low)
        reaches = float(t.card_low[k]) <= electrical + 1e-9
        reaches &= electrical - 1e-9 <= float(t.card_high[k])
        return PointOfChain(
            what=what,
            pressure=rounded(pressure, DIGITS),
            percent=rounded(100 * share, DIGITS),
            electrical=rounded(electrical, DIGITS),
            shunt_V=rounded(electrical * self.shunt / 1000, DIGITS) if self.shunt else None,
            counts=rounded((electrical - float(t.at_zero[k])) / float(t.per_count[k]), DIGITS),
            reaches=reaches,
        )


class Chains:
    """The chains of one site."""

    def __init__(self, site: Site) -> None:
        self._site, self._t = site, columns(site).transducers

    def of(self, key: str, time: float) -> ChainView:
        """The chain of a transducer at `time` (seconds since 1970); KeyError for an unknown id."""
        noun, t = self._site.transducers[key], self._t
        k = self._site.transducer_column(key)
        line = _Line(t, k, PASCALS[noun.unit], noun.input.shunt_ohm)
        low, high = (line.point("", end) for end in noun.range)
        ends = (float(t.card_low[k]), float(t.card_high[k]))
        per_pascal = float(t.signal_high[k] - t.signal_low[k]) / float(t.span[k])
        expanded = COVERAGE * float(budget(time, t).standard[k])
        bands = {name: float(getattr(t, name)[k]) for name in BANDS}
        return ChainView(
            unit=noun.unit,
            electrical_unit=noun.sends().unit,
            counts=(low.counts, high.counts),
            electrical=(low.electrical, high.electrical),
            pressure=noun.range,
            ends=ends if isfinite(ends[0]) and isfinite(ends[1]) else None,
            bands={name: value for name, value in bands.items() if isfinite(value)},
            shunt_ohm=noun.input.shunt_ohm,
            count=number(float(t.step[k]), 3),
            within=number(expanded * per_pascal, 3),
            points=[line.point(what, value) for what, value in self._wanted(key)],
        )

    def _wanted(self, key: str) -> list[tuple[str, float]]:
        """Pressures at which a technician measures, in the unit of the transducer."""
        noun = self._site.transducers[key]
        found = [("lower end of the range", noun.range[0])]
        if noun.range[0] < 0 < noun.range[1]:
            found.append(("ports bridged", 0.0))
        found.append(("middle of the range", sum(noun.range) / 2))
        found.append(("upper end of the range", noun.range[1]))
        if 0.0 in noun.range:
            found = [
                (f"{what}, ports bridged" if not value else what, value) for what, value in found
            ]
        for loop in self._site.loops_of(key):
            limits, unit = self._site.loops[loop].limits, self._site.loop_unit(loop)
            for name, value in (("low limit", limits.low), ("high limit", limits.high)):
                if value is not None:
                    found.append((f"{name} of {loop}", to_pa(value, unit) / PASCALS[noun.unit]))
        return found
