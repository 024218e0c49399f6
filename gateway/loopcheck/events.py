"""What can happen in a check. A check is its events, in order; nothing else is kept of it.

Pressures are in the unit of their transducer, those of the loop in the loop's unit; times are
seconds since 1970 UTC.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field, TypeAdapter

from gateway.plant.noun import Id, Noun

from .plan import Facts, Name, Plan, Words


class Seen(Noun):
    """One input while a reading was taken: means over the time it stood still."""

    counts: float
    electrical: float
    """mA or V."""
    pressure: float
    """From the electrical signal by the nameplate range."""
    controller_value: float | None = None
    """What the controller makes of it."""
    deviation: float = 0.0
    """Standard deviation of the pressure."""


class LoopSeen(Noun):
    """The loop at the same time; None for what the site file names no point for."""

    combined: float | None = None
    feedback: float | None = None
    setpoint: float | None = None
    output: float | None = None
    """Mean."""
    output_moved: float | None = None
    """Its last value minus its first since the pressure was applied."""
    running: bool | None = None


class Event(Noun):
    """The root of all events. person: who did it; "gateway" for the program itself."""

    time: float
    person: Name


class Begun(Event):
    """A check begins."""

    kind: Literal["begun"] = "begun"
    plan: Plan
    facts: Facts


class Applied(Event):
    """The person says that the pressure stands, and what the reference shows where it matters."""

    kind: Literal["applied"] = "applied"
    step: str
    shown: Mapping[Id, float] = Field(default_factory=dict)
    """What the reference shows, where it is not exactly what was asked for."""


class Recorded(Event):
    """A reading. readings: how many rows it is the mean of, over `seconds`."""

    kind: Literal["recorded"] = "recorded"
    step: str
    applied: Mapping[Id, float]
    """At each transducer that takes part: what the reference showed, else what was asked for."""
    seen: Mapping[Id, Seen]
    loop: LoopSeen = LoopSeen()
    readings: int = Field(ge=1)
    seconds: float = Field(ge=0)
    forced: Words = ""
    """Why it did not count as settled, when the person had it taken all the same."""


class Repeated(Event):
    """A reading does not count and is taken again; it stays in the record as such."""

    kind: Literal["repeated"] = "repeated"
    step: str
    reason: Words


class Skipped(Event):
    """A step that is left out."""

    kind: Literal["skipped"] = "skipped"
    step: str
    reason: Annotated[str, Field(min_length=1, max_length=500)]


class Decided(Event):
    """Whether a transducer is adjusted after it was read as found, and what was done."""

    kind: Literal["decided"] = "decided"
    transducer: Id
    adjusted: bool
    notes: Words = ""


class Noted(Event):
    """Anything worth keeping."""

    kind: Literal["noted"] = "noted"
    text: Annotated[str, Field(min_length=1, max_length=500)]


class Paused(Event):
    """Nothing is read until somebody goes on."""

    kind: Literal["paused"] = "paused"
    reason: Words = ""


class Resumed(Event):
    """It goes on; whatever is applied has to be said again."""

    kind: Literal["resumed"] = "resumed"


class Finished(Event):
    """Over, with a record."""

    kind: Literal["finished"] = "finished"
    remarks: Words = ""


class Abandoned(Event):
    """Over without a record; what was read stays in the store."""

    kind: Literal["abandoned"] = "abandoned"
    reason: Annotated[str, Field(min_length=1, max_length=500)]


AnyEvent = Annotated[
    Begun | Applied | Recorded | Repeated | Skipped | Decided | Noted | Paused | Resumed
    | Finished | Abandoned,
    Field(discriminator="kind"),
]  # fmt: skip
_ADAPTER: TypeAdapter[AnyEvent] = TypeAdapter(AnyEvent)


def to_json(event: Event) -> str:
    """As it is kept."""
    return event.model_dump_json()


def from_json(text: str) -> AnyEvent:
    """What `to_json` gave; ValueError for anything else."""
    return _ADAPTER.validate_json(text)
