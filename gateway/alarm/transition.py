"""One step in the life of an alarm, as the journal keeps it for ever."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Literal

from .states import Event, State

Kind = Literal["site", "controller", "transducer", "loop", "gateway"]
GATEWAY = "gateway"
"""The actor of everything that no person and no protocol did."""


class Priority(StrEnum):
    """How soon somebody should act."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


RANK = {priority: k for k, priority in enumerate(Priority)}
"""Low to high as numbers that can be compared."""


@dataclass(frozen=True)
class Transition:
    """What happened to one alarm.

    time: seconds since 1970 UTC; order: counts transitions of the same time from 0. An event that
    leaves the alarm where it is (`before` is `after`) is still told: what happens behind a
    shelved, suppressed or removed alarm is journalled.
    """

    time: float
    order: int
    alarm: str
    fault: str
    kind: Kind
    subject: str
    event: Event
    before: State
    after: State
    priority: Priority
    message: str
    actor: str = GATEWAY
    """A person or a protocol, or the gateway itself."""
    reason: str = ""
    cause: str = ""
    """Id of the alarm that explains this one, where that is why it is suppressed or released."""
    until: float | None = None
    """End of shelving or of being out of service."""
    finding: str = ""
    """Id of the finding that is the condition, where there is one."""

    @property
    def annunciates(self) -> bool:
        """Whether an alarm begins to ask for attention here: what the load is counted by."""
        return self.after is State.UNACKNOWLEDGED and self.before is not State.UNACKNOWLEDGED


def to_body(transition: Transition) -> dict[str, Any]:
    """A plain dict of text and numbers, ready for JSON."""
    return {
        key: value.value if isinstance(value, StrEnum) else value
        for key, value in vars(transition).items()
    }


def from_body(body: Mapping[str, Any]) -> Transition:
    """The transition that `to_body` was given; KeyError or ValueError for anything else."""
    words = {
        "event": Event(body["event"]),
        "before": State(body["before"]),
        "after": State(body["after"]),
        "priority": Priority(body["priority"]),
    }
    known = set(Transition.__dataclass_fields__)
    if unknown := set(body) - known:
        raise ValueError(f"fields {', '.join(sorted(unknown))}: not of an alarm's transition")
    return Transition(**{**body, **words})
