"""The book of all alarms that are not at rest; every change goes through `write`."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from .definitions import Definition, Definitions
from .memory import BLANK, Memory, Stored, applied, deserved, marked, noted
from .relations import Subject
from .states import TABLE, Event, RefusedError, State
from .transition import GATEWAY, Transition

Names = dict[str, None]
"""A set that keeps its order, so that the same history gives the same transitions."""


@dataclass(frozen=True)
class Note:
    """What is said along with an event."""

    actor: str = GATEWAY
    reason: str = ""
    cause: str = ""
    until: float | None = None
    message: str = ""
    finding: str = ""


NOTHING = Note()


class Ledger:
    """Memories by alarm id, and what must be found quickly among them."""

    def __init__(self, definitions: Definitions, before: Stored) -> None:
        self.definitions = definitions
        self.alarms: dict[str, Memory] = {}
        self.recent, self.last = before.recent, before.last
        self.active_groups: Names = {}
        self._active_on: defaultdict[Subject, Names] = defaultdict(dict)
        self._under: defaultdict[str, Names] = defaultdict(dict)
        self._fresh: list[Transition] = []
        for alarm, memory in before.alarms.items():
            try:
                definition = definitions.of(alarm)
            except KeyError:  # the site file no longer has its subject
                continue
            self._keep(definition, BLANK, memory)

    @property
    def stored(self) -> Stored:
        """Everything that must come back after a crash."""
        return Stored(dict(self.alarms), self.recent, self.last)

    def memory(self, alarm: str) -> Memory:
        """What is known of an alarm; BLANK when it is at rest."""
        return self.alarms.get(alarm, BLANK)

    def active_on(self, subject: Subject) -> Iterable[str]:
        """Alarms about a subject whose condition stands, hidden ones too."""
        return self._active_on.get(subject, ())

    def under(self, cause: str) -> list[str]:
        """Alarms that this one explains, causes first."""
        return sorted(self.below(cause), key=self.place)

    def below(self, cause: str) -> Iterable[str]:
        """The same in no particular order."""
        return self._under.get(cause, ())

    def causes(self) -> list[str]:
        """Alarms that explain others."""
        return sorted((cause for cause, names in self._under.items() if names), key=self.place)

    def place(self, alarm: str) -> tuple[int, str]:
        """Sorts causes before consequences, and before all what the site file no longer has."""
        try:
            return self.definitions.of(alarm).rank, alarm
        except KeyError:
            return -1, alarm

    def destination(self, definition: Definition, event: Event, cause: str = "") -> State:
        """Where an event would lead; RefusedError when it cannot happen."""
        memory = self.memory(definition.id)
        cell = TABLE[memory.state, event]
        if cell.refused:
            raise RefusedError(f"{definition.id}: {event}: {cell.refused} (it is {memory.state})")
        if cell.to is not None:
            return cell.latching if cell.latching and definition.latching else cell.to
        draft = self._draft(0.0, definition, event, memory.state, Note(cause=cause))
        return deserved(marked(memory, draft), latching=definition.latching)

    def write(
        self, time: float, definition: Definition, event: Event, note: Note = NOTHING
    ) -> None:
        """Let an event happen to an alarm; RefusedError when the table refuses it."""
        after = self.destination(definition, event, note.cause)
        memory = self.memory(definition.id)
        t = self._draft(time, definition, event, after, note)
        self._keep(definition, memory, applied(memory, t))
        self.recent, self.last = noted(self.recent, t), (t.time, t.order)
        self._fresh.append(t)

    def drain(self) -> tuple[Transition, ...]:
        """What was written since the last time."""
        fresh, self._fresh = tuple(self._fresh), []
        return fresh

    def _draft(
        self, time: float, d: Definition, event: Event, after: State, note: Note
    ) -> Transition:
        memory = self.memory(d.id)
        hides = event in (Event.SUPPRESS, Event.RELEASE)
        return Transition(
            time=time, order=self.last[1] + 1 if time == self.last[0] else 0, alarm=d.id,
            fault=d.fault, kind=d.kind, subject=d.subject, event=event, before=memory.state,
            after=after, priority=d.priority, message=note.message or memory.message or d.message,
            actor=note.actor, reason=note.reason,
            cause=note.cause if hides else memory.cause, until=note.until,
            finding=note.finding or memory.finding,
        )  # fmt: skip

    def _keep(self, definition: Definition, before: Memory, after: Memory) -> None:
        alarm, subject = definition.id, definition.subject_of_kind
        if after is BLANK:
            self.alarms.pop(alarm, None)
        else:
            self.alarms[alarm] = after
        if before.active != after.active:
            for names in (self._active_on[subject],) + (
                (self.active_groups,) if definition.source == "group" else ()
            ):
                _set(names, alarm, there=after.active)
        if before.cause != after.cause:
            for cause, there in ((before.cause, False), (after.cause, True)):
                if cause:
                    _set(self._under[cause], alarm, there=there)


def _set(names: Names, name: str, *, there: bool) -> None:
    if there:
        names[name] = None
    else:
        names.pop(name, None)
