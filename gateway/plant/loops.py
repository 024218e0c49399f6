"""A pressure loop: its transducers, how they are combined, and what the controller says of it."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from .noun import Id, Noun, PointRef
from .transducers import PressureUnit

Combination = Literal["average", "minimum", "maximum", "median", "sum", "difference", "single"]


class Limits(Noun):
    """Pressures between which the loop should stay, in the loop's unit."""

    low: float | None = None
    high: float | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError(f"low {self.low} and high {self.high}: low below high")
        return self


class Door(Noun):
    """The door that the pressure acts on, for the force needed to set it in motion."""

    width_m: float = Field(gt=0, le=5)
    height_m: float = Field(gt=0, le=6)
    closer_N: float = Field(ge=0, le=500)
    """Force of the closer and friction alone, at the knob."""
    knob_m: float = Field(default=0.075, ge=0, le=1)
    """Distance from the knob to the edge of the door."""
    force_limit_N: float = Field(gt=0, le=1000)
    """From the local code or the authority having jurisdiction."""

    @model_validator(mode="after")
    def _knob(self) -> Self:
        if not self.knob_m < self.width_m:
            raise ValueError(f"knob_m {self.knob_m}: less than width_m {self.width_m}")
        return self


class Loop(Noun):
    """A PID loop that holds a pressure."""

    name: str = ""
    transducers: tuple[Id, ...] = Field(min_length=1)
    """Order matters for "difference" (first minus second)."""
    combine: Combination
    unit: PressureUnit | None = None
    """Unit for display and for the limits; that of the first transducer when left out."""
    feedback: PointRef | None = None
    setpoint: PointRef | None = None
    output: PointRef | None = None
    running: PointRef | None = None
    action: Literal["reverse", "direct"] = "reverse"
    """reverse: output rises when feedback is below set point."""
    output_range: tuple[float, float] | None = None
    """Output at its lower and upper limit, in the output point's unit."""
    place_difference: float = Field(default=0.0, ge=0)
    """How far two healthy transducers may truly differ because of where they are, loop unit."""
    limits: Limits = Limits()
    door: Door | None = None

    @model_validator(mode="after")
    def _enough(self) -> Self:
        count = len(self.transducers)
        if len(set(self.transducers)) != count:
            raise ValueError(f"transducers {list(self.transducers)}: each one once")
        if self.combine == "single" and count != 1:
            raise ValueError(f'combine "single" with {count} transducers: exactly 1')
        if self.combine == "difference" and count != 2:
            raise ValueError(f'combine "difference" with {count} transducers: exactly 2')
        return self
