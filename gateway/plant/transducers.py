"""A differential-pressure transducer on an analog input of a controller."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import Field, field_validator, model_validator

from .noun import Noun, PointRef, one_of
from .signals import SIGNALS, Signal
from .units import PRESSURE_UNITS, to_pa

SignalName = Annotated[str, *one_of(SIGNALS)]
PressureUnit = Annotated[str, *one_of(PRESSURE_UNITS)]
Pair = tuple[float, float]


class InputCard(Noun):
    """What the controller's analog input makes of the electrical signal."""

    counts: Pair
    """Counts at the two ends of the input."""
    electrical: Pair
    """Volts or milliamps at those counts."""
    unit: Literal["mA", "V"]
    shunt_ohm: float | None = Field(default=None, gt=0, le=10_000)
    """Resistor that turns milliamps into volts, when a volt input reads a current signal."""
    clamps: bool = True
    """True when the input cannot report anything beyond the two ends."""

    @model_validator(mode="after")
    def _spans(self) -> Self:
        if self.counts[0] == self.counts[1]:
            raise ValueError(f"counts {list(self.counts)}: two different numbers")
        if self.electrical[0] == self.electrical[1]:
            raise ValueError(f"electrical {list(self.electrical)}: two different numbers")
        return self


class Bands(Noun):
    """Overrides of the signal's failure limits, in the signal's own unit (mA or V)."""

    open_below: float | None = None
    failure_low: float | None = None
    measure_low: float | None = None
    measure_high: float | None = None
    failure_high: float | None = None
    short_above: float | None = None


class Transducer(Noun):
    """A differential-pressure transducer: what it sends, and what it is trusted to within."""

    counts: PointRef
    """The point that holds the raw counts of its input."""
    signal: SignalName
    """What the device sends, from its nameplate."""
    input: InputCard
    range: Pair
    """Lower and upper range value (LRV, URV) in `unit`, from its nameplate."""
    unit: PressureUnit
    accuracy_pct_span: float = Field(default=1.0, ge=0, le=25)
    """Half-width of the accuracy statement, % of span."""
    thermal_pct_span_per_K: float = Field(default=0.05, ge=0, le=5)
    thermal_swing_K: float = Field(default=10.0, ge=0, le=100)
    """How far its temperature may be from that of its calibration."""
    stability_pct_span_per_year: float = Field(default=0.5, ge=0, le=25)
    calibrated: date | None = None
    """Day of the last calibration; a year's drift is assumed when it is not given."""
    check_every_days: int | None = Field(default=None, ge=1, le=7320)
    """Days after which it is due for a check again; never when left out."""
    tolerance_pct_span: float = Field(default=2.0, gt=0, le=50)
    """Error that the loop can live with, % of span."""
    controller_value: PointRef | None = None
    """The point that holds what the controller itself makes of the input."""
    bands: Bands = Bands()
    location: str = ""
    ports: str = ""
    """What the high and the low port are connected to."""
    elevation_m: float | None = None

    @field_validator("range")
    @classmethod
    def _rises(cls, ends: Pair) -> Pair:
        """By itself, so that it is told beside whatever else is wrong with the transducer."""
        if not ends[0] < ends[1]:
            raise ValueError("lower range value below upper range value")
        return ends

    @model_validator(mode="after")
    def _measures(self) -> Self:
        sends = SIGNALS[self.signal].unit
        if sends != self.input.unit and (sends != "mA" or self.input.shunt_ohm is None):
            raise ValueError(
                f"a {self.signal} signal on an input that reads {self.input.unit}: the same unit, "
                "or shunt_ohm for a current signal on a volt input"
            )
        if self.input.shunt_ohm is not None and (sends != "mA" or self.input.unit != "V"):
            raise ValueError("shunt_ohm: only for a current signal on a volt input")
        return self

    @property
    def lrv_pa(self) -> float:
        """Lower range value, Pa."""
        return to_pa(self.range[0], self.unit)

    @property
    def urv_pa(self) -> float:
        """Upper range value, Pa."""
        return to_pa(self.range[1], self.unit)

    @property
    def span_pa(self) -> float:
        """Upper minus lower range value, Pa."""
        return self.urv_pa - self.lrv_pa

    def sends(self) -> Signal:
        """The signal with this transducer's own band limits, in the signal's unit."""
        base = SIGNALS[self.signal]
        own = {name: value for name, value in self.bands if value is not None}
        return Signal(**{**vars(base), **own})
