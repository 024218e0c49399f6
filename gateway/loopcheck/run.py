"""One check at one moment: what was read, and what comes next. `moves.py` leads on from here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from gateway.errors import LoopwitnessError

from . import steps
from .events import Abandoned, Applied, Begun, Decided, Finished, Noted, Paused, Recorded, Skipped
from .plan import Facts, Plan
from .steps import Part, Step


class CheckError(LoopwitnessError):
    """Something that cannot be done as a check stands; says what can."""


@dataclass(frozen=True)
class Measure:
    """Next: a reading."""

    step: Step


@dataclass(frozen=True)
class Decide:
    """Next: say whether this transducer was adjusted, after it was read as found."""

    transducer: str


@dataclass(frozen=True)
class Conclude:
    """Next: finish. Every step is recorded or skipped."""


Task = Measure | Decide | Conclude


def due(task: Task) -> str:
    """A task in a few words."""
    match task:
        case Measure(step):
            return step.key
        case Decide(transducer):
            return f"say whether {transducer} was adjusted"
        case _:
            return "finish"


@dataclass(frozen=True)
class Run:
    """What the events of a check come to."""

    begun: Begun
    recorded: Mapping[str, Recorded] = field(default_factory=dict)
    """The reading that counts, by step."""
    skipped: Mapping[str, Skipped] = field(default_factory=dict)
    decided: Mapping[str, Decided] = field(default_factory=dict)
    applied: Applied | None = None
    """For the present step."""
    void: tuple[tuple[Recorded, str], ...] = ()
    """Readings that do not count any more, and why."""
    adjustments: tuple[Decided, ...] = ()
    notes: tuple[Noted, ...] = ()
    paused: Paused | None = None
    ended: Finished | Abandoned | None = None

    @property
    def plan(self) -> Plan:
        """What was wanted."""
        return self.begun.plan

    @property
    def facts(self) -> Facts:
        """What it is judged by."""
        return self.begun.facts

    def adjusted(self, transducer: str) -> bool:
        """Whether it was touched."""
        return transducer in self.decided and self.decided[transducer].adjusted

    def steps(self) -> Iterator[Step]:
        """Every step, as far as is decided by now, in order."""
        for key in self.plan.transducers:
            yield from steps.of_transducer(self.plan, self.facts, Part.AS_FOUND, key)
            if self.adjusted(key):
                yield from steps.of_transducer(self.plan, self.facts, Part.AS_LEFT, key)
        if self.plan.combined:
            yield from steps.combined(self.facts)

    def step(self, key: str) -> Step:
        """One of them; CheckError when there is no such step."""
        found = next((one for one in self.steps() if one.key == key), None)
        if found is None:
            raise CheckError(f"{key}: no step of this check")
        return found

    def done(self, step: Step) -> bool:
        """Whether a step needs nothing more."""
        return step.key in self.recorded or step.key in self.skipped

    @property
    def task(self) -> Task:
        """What comes next."""
        last = ""
        for step in self.steps():
            if step.transducer != last and self._undecided(last):
                return Decide(last)
            if not self.done(step):
                return Measure(step)
            last = step.transducer
        return Decide(last) if self._undecided(last) else Conclude()

    def _undecided(self, transducer: str) -> bool:
        return bool(transducer) and not (self.plan.only_as_found or transducer in self.decided)
