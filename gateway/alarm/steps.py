"""What happens at one row, in a fixed order: holds end, conditions end, conditions begin, the rest.

Ends come before beginnings, so that a cause that is gone explains nothing new.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from math import inf

from gateway.diagnose.consequence import door_force
from gateway.diagnose.findings import Finding
from gateway.measure.columns import ABSENT, Columns
from gateway.plant.site import Site
from gateway.plant.units import from_pa, in_digits

from .conditions import Conditions, Row, named
from .definitions import DOOR, Definition
from .ledger import Ledger, Note
from .routing import Routing, Want
from .states import Event
from .timers import Timer, Timers

FAN_OFF = "fan off"
"""The rule by which limits are suppressed; it is in the journal, so keep it for ever."""
DOUBLINGS = 4
"""A loose wire's off-delay grows from half a minute to 8 minutes (common practice, no source)."""
TIME_IS_OVER = Note(reason="its time is over")
AHEAD_S = 60.0
"""What was taken away this much later than now was so by a clock that was ahead."""
CLOCK_WAS_AHEAD = Note(reason="the clock was ahead when it was taken away")


class Steps:
    """Takes rows in order; `next_due` says when the next one matters although it brings nothing."""

    def __init__(self, site: Site, columns: Columns, ledger: Ledger, routing: Routing) -> None:
        self._site, self._ledger, self._routing = site, ledger, routing
        self._timers: Timers = routing.timers
        self._loops = columns.loops.ids
        self._tells = columns.loops.running != ABSENT
        self._taken = -inf
        self.conditions = Conditions(columns, ledger.definitions.limits())

    def begin(self, time: float, open_before: dict[str, Finding]) -> Row:
        """Take up what the journal says; gives what changed while nobody watched.

        open_before: findings by alarm id that stood open before the first row.
        """
        ledger = self._ledger
        ruled = {ledger.definitions.of(k).subject for k, m in ledger.alarms.items() if m.rule}
        off = [k for k, loop in enumerate(self._loops) if loop in ruled]
        standing = [k for k in off if self._tells[k]]
        active = [k for k, m in ledger.alarms.items() if m.active]
        self.conditions.seed(active, standing)
        self.conditions.open_before(open_before.values())
        for alarm in active:
            d = ledger.definitions.of(alarm)
            if d.source == "finding" and alarm not in open_before:
                self._timers.set(Timer.CLEAR, alarm, time + self._off_delay(d))
        self.time_holds(list(ledger.alarms), time)
        for cause in ledger.causes():
            self._routing.recheck(time, cause)
        new = [
            replace(f, phase="raised")
            for k, f in open_before.items()
            if not ledger.memory(k).active
        ]
        # Of a loop whose running the site file no longer names nobody would ever hear again.
        silent = [k for k in off if not self._tells[k]]
        return Row(findings=new, stopped=standing, started=silent)

    def next_due(self) -> float:
        """The time from which on a row matters although it brings nothing."""
        return min(self._timers.next(), self._routing.next_look(self._taken))

    def take(self, time: float, row: Row) -> None:
        """Everything that one row brings."""
        self._taken, routing = time, self._routing
        routing.route(time, self._expired(time, Timer.SERVICE, Event.RESTORE))
        routing.route(time, self._expired(time, Timer.SHELF, Event.UNSHELVE))
        self._suppress(time, row.stopped)
        self._end(time, row)
        routing.route(time, self._beginning(row))
        routing.route(time, self._started(row.started))
        routing.route(time, routing.outlived(time))
        routing.end_groups(time)

    def time_holds(self, alarms: Iterable[str], time: float) -> None:
        """Let shelving and work end by themselves.

        What seems to begin after `time` has its span from now on: either clock may be wrong.
        """
        for alarm in alarms:
            memory = self._ledger.memory(alarm)
            for timer, hold in ((Timer.SERVICE, memory.service), (Timer.SHELF, memory.shelf)):
                if hold is None:
                    self._timers.stop(timer, alarm)
                else:
                    begins = time if hold.since > time + AHEAD_S else hold.since
                    self._timers.set(timer, alarm, hold.until + begins - hold.since)

    def _expired(self, time: float, timer: Timer, event: Event) -> list[Want]:
        wants = []
        for alarm in self._timers.take(timer, time):
            memory = self._ledger.memory(alarm)
            hold = memory.service if timer is Timer.SERVICE else memory.shelf
            note = TIME_IS_OVER
            if hold and hold.until > time:
                if hold.since <= time + AHEAD_S:  # it was this clock, which has been set right
                    self._timers.set(timer, alarm, hold.until)
                    continue
                note = CLOCK_WAS_AHEAD
            wants.append(Want(self._ledger.definitions.of(alarm), event, note))
        return wants

    def _suppress(self, time: float, loops: list[int]) -> None:
        for d in (d for loop in loops for d in self.conditions.ruled(loop)):
            if not self._ledger.memory(d.id).rule:
                self._ledger.write(time, d, Event.SUPPRESS, Note(reason=FAN_OFF))

    def _started(self, loops: list[int]) -> list[Want]:
        ruled = [d for loop in loops for d in self.conditions.ruled(loop)]
        note = Note(reason=FAN_OFF)
        return [Want(d, Event.RELEASE, note) for d in ruled if self._ledger.memory(d.id).rule]

    def _end(self, time: float, row: Row) -> None:
        """Conditions that are gone, after their off-delay."""
        for finding in row.findings:
            d = self._ledger.definitions.of(named(finding))
            if finding.phase == "raised":
                self._timers.stop(Timer.CLEAR, d.id)
            else:
                self._timers.set(Timer.CLEAR, d.id, time + self._off_delay(d))
        gone = [self._ledger.definitions.of(k) for k in self._timers.take(Timer.CLEAR, time)]
        for d in sorted([*gone, *row.back], key=lambda d: (d.rank, d.id)):
            if self._ledger.memory(d.id).active:
                self._routing.end(time, d)

    def _off_delay(self, d: Definition) -> float:
        """The more often a condition came back, the longer it must be quiet to be over."""
        return d.off_delay_s * 2.0 ** min(self._ledger.memory(d.id).again, DOUBLINGS)

    def _beginning(self, row: Row) -> list[Want]:
        wants = []
        for finding in (f for f in row.findings if f.phase == "raised"):
            d = self._ledger.definitions.of(named(finding))
            wants.append(Want(d, Event.ALARM, Note(message=finding.title, finding=finding.id)))
        for d, pressure in row.passed:
            wants.append(Want(d, Event.ALARM, Note(message=self._limit_message(d, pressure))))
        wants += [Want(d, Event.ALARM, Note(message=words)) for d, words in row.own]
        return [w for w in wants if not self._ledger.memory(w.definition.id).active]

    def _limit_message(self, d: Definition, pascals: float) -> str:
        loop, unit = self._site.loops[d.subject], self._site.loop_unit(d.subject)
        value = f"{in_digits(from_pa(pascals, unit))} {unit}"
        if d.fault == DOOR and loop.door is not None:
            return f"{d.message}: {in_digits(door_force(loop.door, pascals))} N at {value} at first"
        return f"{d.message}: {value} at first"
