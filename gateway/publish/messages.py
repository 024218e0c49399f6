"""The shape of every MQTT message; `asyncapi.py` makes the description of these.

Times are ISO 8601 in UTC; what was not read is null.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from gateway.alarm.states import Event, State
from gateway.alarm.transition import Kind, Priority
from gateway.alarm_views import AlarmView, Instant
from gateway.diagnose.findings import Status
from gateway.views import FindingView, LinkView, LoopState, TransducerView

JOURNAL = (
    "Which journal counts here. Another one than before: the store was begun anew, and so were the "
    "numbers."
)
SEQUENCE = "Number in the journal. The same may come twice: drop the second."


class StatusMessage(BaseModel):
    """Whether the gateway is there: its birth, its farewell, or the broker's word that it died."""

    state: Literal["online", "offline"]
    reason: str = Field(description='"connection lost" comes from the broker, which knows no time.')
    time: Instant | None


class FindingInShort(BaseModel):
    """One open finding."""

    id: str
    fault: str
    subject: str
    status: Status
    since: Instant
    title: str


class LoopMessage(LoopState):
    """One loop at this instant; pressures in `unit`."""

    transducers: list[str]
    findings: list[FindingInShort]


class TransducerMessage(TransducerView):
    """One transducer at this instant; `value` in `unit`, `electrical` in `electrical_unit`."""

    findings: list[FindingInShort]


class ControllerMessage(LinkView):
    """How one controller answers."""


class AlarmMessage(AlarmView):
    """One alarm as it stands. At rest it stays here with the state "normal"."""

    site: str
    time: Instant = Field(description="When it was known to stand so.")


class FindingEvent(FindingView):
    """A finding raised or cleared."""

    journal: str = Field(description=JOURNAL)
    sequence: int = Field(description=SEQUENCE)
    previous: int = Field(
        description="Number of the finding event before this one; one that you have not had was "
        "lost."
    )
    site: str


class AlarmEvent(BaseModel):
    """One transition of an alarm, as the journal keeps it."""

    journal: str = Field(description=JOURNAL)
    sequence: int = Field(description=SEQUENCE)
    previous: int = Field(
        description="Number of the alarm event before this one; one that you have not had was lost."
    )
    site: str
    time: Instant
    alarm: str = Field(description="Id of the alarm: fault:subject.")
    fault: str
    kind: Kind = Field(description="What the subject is.")
    subject: str
    event: Event = Field(description="What happened: event of ISA-18.2 / IEC 62682.")
    before: State = Field(description="State before.")
    after: State = Field(description="State after.")
    annunciates: bool = Field(
        description="An alarm begins to ask for attention: what to ring a bell for."
    )
    shown: bool = Field(
        description="It asks for attention after this: not at rest, and not shelved, suppressed or "
        "out of service."
    )
    function_check: bool = Field(description="Out of service after this: somebody works on it.")
    priority: Priority
    message: str
    actor: str = Field(description='A person or a protocol; "gateway" for the gateway itself.')
    reason: str
    cause: str | None = Field(description="Id of the alarm that explains it.")
    until: Instant | None = Field(description="End of shelving or of being out of service.")
    finding: str | None = Field(description="Id of the finding that is the condition.")


def _one_line(text: str) -> str:
    if not text.isprintable():
        raise ValueError("one line of printable text")
    return text


def _instant(text: str) -> str:
    try:
        zoned = datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        zoned = False
    if not zoned:
        raise ValueError("a time with its zone, such as 2026-05-28T20:30:00.000Z")
    return text


Name = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_one_line)]


class AcknowledgeRequest(BaseModel):
    """A person has seen an alarm."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    alarm: str = Field(min_length=1, max_length=200, description="Id of the alarm: fault:subject.")
    onset: Annotated[str, AfterValidator(_instant)] = Field(
        description="`onset` of the alarm that was seen, so that a later one is not acknowledged.",
        json_schema_extra={"format": "date-time"},
    )
    person: Name = Field(description="Who has seen it.")
    comment: Annotated[str, Field(max_length=500), AfterValidator(_one_line)] = ""

    @property
    def onset_ms(self) -> int:
        """Milliseconds since 1970 UTC."""
        return round(datetime.fromisoformat(self.onset).timestamp() * 1000)


class AcknowledgeAnswer(BaseModel):
    """What became of a request; sent to its response topic, with its correlation data."""

    accepted: bool
    result: Literal["acknowledged", "acknowledged already", "refused", "not recorded", "bad"]
    error: str = Field(description="Why not, and what is allowed; nothing when accepted.")
    alarm: str | None = Field(description="As asked for; null when it could not be read.")
    onset: Instant | None = Field(description="When the alarm, as it stands now, began.")
    state: State | None = Field(description="Its state now.")
    time: Instant
