"""What the BACnet side needs to know of alarms, and how it acknowledges them.

It looks at alarms through this and knows nothing of the machine behind (`bacnet_source.py` does).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

Kind = Literal["site", "controller", "transducer", "loop", "gateway"]


@dataclass(frozen=True)
class AlarmState:
    """One alarm that is not at rest.

    since: when its condition last became active, seconds since 1970 UTC.
    """

    id: str
    fault: str
    """Identifier of the fault, or of the limit."""
    kind: Kind
    subject: str
    is_fault: bool
    """True for something that is wrong; False for a pressure beyond a limit."""
    active: bool
    """Its condition stands, whether or not the alarm is hidden."""
    acknowledged: bool
    """This very activation has been acknowledged."""
    since: float
    message: str
    priority: str
    side: int = 0
    """Of a limit: +1 too high, -1 too low."""
    limit_Pa: float | None = None
    """Of a limit: the pressure that was passed."""
    shelved: bool = False
    """Hidden by a person: shelved or out of service."""
    suppressed: bool = False
    """Hidden by a rule, or because another alarm explains it."""
    cause: str = ""
    """Id of the alarm that explains it."""

    @property
    def hidden(self) -> bool:
        """Followed, but not shown as an alarm."""
        return self.shelved or self.suppressed

    @property
    def asks(self) -> bool:
        """Whether it is shown as an alarm: it is active, or returned and not acknowledged."""
        return not self.hidden and (self.active or not self.acknowledged)


@dataclass(frozen=True)
class Terms:
    """How the limits of a loop are watched."""

    deadband_Pa: float
    delay_s: float


class AlarmSource(Protocol):
    """Alarms as they stand now."""

    def states(self) -> Iterable[AlarmState]:
        """Every alarm that is not at rest, hidden ones too."""
        ...

    def terms(self, loop: str) -> Terms:
        """How a loop's limits are watched; KeyError for an unknown loop."""
        ...

    async def acknowledge(self, alarm_id: str, actor: str) -> None:
        """Acknowledge one alarm; LoopwitnessError when that cannot be recorded now.

        Returns once it is recorded; one that is acknowledged already is no error.
        """
        ...


class Roll:
    """Alarms at one instant, looked up by what they are about."""

    def __init__(self, alarms: Iterable[AlarmState]) -> None:
        self._by_id = {alarm.id: alarm for alarm in alarms}
        self._by_fault = {(a.fault, a.subject): a for a in self._by_id.values()}
        self._about: defaultdict[tuple[str, str], list[AlarmState]] = defaultdict(list)
        for alarm in self._by_id.values():
            self._about[alarm.kind, alarm.subject].append(alarm)

    def subjects(self) -> Iterable[tuple[str, str]]:
        """(kind, subject) of everything that has alarms."""
        return self._about.keys()

    def about(self, kind: str, subject: str) -> Sequence[AlarmState]:
        """Alarms of one subject, hidden ones too."""
        return self._about.get((kind, subject), ())

    def of_fault(self, fault: str, subject: str) -> AlarmState | None:
        """The alarm about one fault of one subject."""
        return self._by_fault.get((fault, subject))

    def asking(self, kind: str, subject: str, *, is_fault: bool) -> list[AlarmState]:
        """Alarms of one subject that are shown: about faults, or about limits."""
        return [a for a in self.about(kind, subject) if a.asks and a.is_fault is is_fault]

    def explaining(self, kind: str, subject: str) -> list[AlarmState]:
        """Alarms that are shown instead of hidden ones of this subject."""
        causes = dict.fromkeys(a.cause for a in self.about(kind, subject) if a.suppressed)
        found = [self._by_id[cause] for cause in causes if cause in self._by_id]
        return [a for a in found if a.asks]
