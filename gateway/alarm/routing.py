"""From what happened to what is shown: causes, consequences and groups."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from .causes import Causes
from .definitions import Definition
from .groups import Groups
from .ledger import NOTHING, Ledger, Note
from .relations import Subject
from .states import Event, State
from .timers import Timer, Timers


@dataclass(frozen=True)
class Want:
    """An event that is about to happen to an alarm."""

    definition: Definition
    event: Event
    note: Note = NOTHING


class Routing:
    """Writes events into the ledger, suppressing first what a cause or a group explains."""

    def __init__(self, ledger: Ledger, timers: Timers) -> None:
        self._ledger, self.timers = ledger, timers
        self._causes, self._groups = Causes(ledger), Groups(ledger)

    def route(self, time: float, wants: Iterable[Want]) -> None:
        """Let these events happen, those of causes first."""
        ordered = sorted(wants, key=lambda w: (w.definition.rank, w.definition.id))
        causes: dict[str, str] = {}
        pending: dict[Subject, list[Definition]] = {}
        shown: list[Definition] = []
        for want in ordered:
            d = want.definition
            onset = self._ledger.memory(d.id).onset
            if want.event is Event.ALARM:
                pending.setdefault(d.subject_of_kind, []).append(d)
                onset = time
            if not self._would_show(want):
                continue
            if cause := self._causes.of(d, onset, time, pending):
                causes[d.id] = cause
            else:
                shown.append(d)
        causes |= self._group(time, shown)
        for want in ordered:
            self._write(time, want, causes.get(want.definition.id, ""))
        for want in ordered:
            if want.event is Event.ALARM:
                self._explain(time, want.definition)

    def recheck(self, time: float, cause: str) -> None:
        """After a change of an alarm: see whether its consequences are still its own."""
        for alarm in self._ledger.under(cause):
            d, memory = self._ledger.definitions.of(alarm), self._ledger.memory(alarm)
            still = self._causes.still(cause, d)
            if still:
                self.timers.stop(Timer.OUTLIVE, alarm)
            elif memory.active:
                self.timers.start(Timer.OUTLIVE, alarm, time + d.on_delay_s)
            # One that latches stays with its cause, so as not to be shown beside it.
            if not memory.active and not (still and d.latching):
                self.leave(time, d, cause)
            self.recheck(time, alarm)

    def end(self, time: float, d: Definition) -> None:
        """The condition of an alarm is gone."""
        cause = self._ledger.memory(d.id).cause
        self._ledger.write(time, d, Event.RETURN)
        if cause and not d.latching:
            self.leave(time, d, cause)
        self.recheck(time, d.id)

    def leave(self, time: float, d: Definition, cause: str) -> None:
        """An alarm whose condition is gone does not need its cause any more."""
        self.timers.stop(Timer.OUTLIVE, d.id)
        self._ledger.write(time, d, Event.RELEASE, Note(cause=cause, reason="over"))

    def outlived(self, time: float) -> list[Want]:
        """Consequences that have stood long enough without their cause."""
        wants = []
        for alarm in self.timers.take(Timer.OUTLIVE, time):
            memory = self._ledger.memory(alarm)
            if memory.cause and memory.active:
                note = Note(cause=memory.cause, reason="goes on without its cause")
                wants.append(Want(self._ledger.definitions.of(alarm), Event.RELEASE, note))
        return wants

    def end_groups(self, time: float) -> None:
        """Groups whose event is over."""
        while ended := self._groups.over(time):  # one that ends may end the one above it
            for d in ended:
                self.end(time, d)

    def next_look(self, time: float) -> float:
        """When, after `time`, a group may be over although nothing happens."""
        return self._groups.next_look(time)

    def _would_show(self, want: Want) -> bool:
        ledger, d = self._ledger, want.definition
        now = ledger.memory(d.id).state
        after = ledger.destination(d, want.event, want.note.cause)
        return after is State.UNACKNOWLEDGED and now is not after

    def _group(self, time: float, shown: list[Definition]) -> dict[str, str]:
        """Let groups begin; gives the group of each alarm that is to be under one."""
        grouping = self._groups.sort(time, shown)
        first: dict[str, str] = {}
        for alarm in (*grouping.pulled, *(d.id for d in shown)):
            first.setdefault(grouping.under.get(alarm, ""), alarm)
        for group in grouping.raised:
            reason = f"began with {first[group.id]}" if group.id in first else ""
            want = Want(group, Event.ALARM, Note(reason=reason))
            self._write(time, want, grouping.under.get(group.id, ""))
        for alarm in grouping.pulled:
            self._put_under(time, self._ledger.definitions.of(alarm), grouping.under[alarm])
        return grouping.under

    def _write(self, time: float, want: Want, cause: str) -> None:
        d = want.definition
        if cause:
            self._put_under(time, d, cause)
            if want.event is Event.RELEASE and want.note.cause:
                return  # its new cause has taken the place of the old one
        self._ledger.write(time, d, want.event, want.note)
        if want.event is not Event.SUPPRESS:
            self.recheck(time, d.id)

    def _put_under(self, time: float, d: Definition, cause: str) -> None:
        self.timers.stop(Timer.OUTLIVE, d.id)
        note = Note(cause=cause, reason="explained by its cause")
        self._ledger.write(time, d, Event.SUPPRESS, note)

    def _explain(self, time: float, cause: Definition) -> None:
        """A cause that is named after its consequences takes them under itself."""
        for effect in self._causes.effects(cause):
            self._put_under(time, effect, cause.id)
