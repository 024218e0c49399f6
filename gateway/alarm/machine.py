"""The alarms of a site: rows and findings in, transitions out; and what people do to them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from gateway.diagnose.findings import Finding, Status
from gateway.measure.blocks import Readings
from gateway.measure.columns import Columns
from gateway.plant.site import Site

from . import actions
from .conditions import Row, named
from .definitions import Change, Definition, Definitions
from .ledger import Ledger
from .memory import Memory, Stored
from .own import SUBJECT
from .routing import Routing
from .states import HIDDEN
from .steps import Steps
from .timers import Timers
from .transition import RANK, Transition

AHEAD_S = 1.0
"""Rows may be as much ahead of the asker's clock without anybody noticing."""


@dataclass(frozen=True)
class Standing:
    """One alarm that is not at rest. consequences: ids of all that it explains, at any depth."""

    definition: Definition
    memory: Memory
    consequences: tuple[str, ...]

    @property
    def shown(self) -> bool:
        """Whether it asks for attention, rather than standing behind something."""
        return self.memory.state not in HIDDEN


class Alarms:
    """Every alarm of a site; the same transitions however the history is cut into blocks.

    before: what `restore` made of the journal. changes: see `Definitions`.
    """

    def __init__(
        self,
        site: Site,
        columns: Columns,
        before: Stored | None = None,
        changes: Mapping[str, Change] | None = None,
    ) -> None:
        self.definitions = Definitions(site, changes)
        self._ledger = Ledger(self.definitions, before or Stored())
        self._routing = Routing(self._ledger, Timers())
        self._steps = Steps(site, columns, self._ledger, self._routing)
        self._now, self._begun = -inf, False

    @property
    def stored(self) -> Stored:
        """What `restore` makes of all transitions so far."""
        return self._ledger.stored

    def standing(self) -> tuple[Standing, ...]:
        """Alarms that are not at rest, hidden ones last: gravest first, then latest."""
        return tuple(sorted(map(self.of, self._ledger.alarms), key=_gravity))

    def of(self, alarm: str) -> Standing:
        """One alarm, also when it is at rest; KeyError when the site has no such alarm."""
        definition, ledger = self.definitions.of(alarm), self._ledger
        return Standing(
            definition, ledger.memory(alarm), tuple(actions.consequences(alarm, ledger))
        )

    def reported(self, findings: Iterable[Finding]) -> tuple[Finding, ...]:
        """Findings as they are told: "function check" while somebody works on their subject."""
        out = {
            self.definitions.of(k).subject_of_kind
            for k, memory in self._ledger.alarms.items()
            if memory.service is not None
        }
        return tuple(
            replace(f, status=Status.FUNCTION_CHECK)
            if (f.kind, f.subject) in out or ("transducer", f.transducer) in out
            else f
            for f in findings
        )

    def examine(
        self,
        readings: Readings,
        events: Iterable[Finding] = (),
        open_findings: Iterable[Finding] = (),
        own: Mapping[str, str] | None = None,
    ) -> tuple[Transition, ...]:
        """What the rows of a block bring, in order.

        events: findings raised and cleared in these rows. open_findings: those open after them;
        looked at only the first time, to find what changed while nobody watched. own: what is
        wrong with the gateway itself at the last row, in words, by what is wrong (`own.OWN`);
        None: nothing is known of that.
        """
        if not len(readings):
            return ()
        time, events = readings.time, tuple(events)
        first: Row | None = None
        if not self._begun:
            self._begun = True
            first = self._steps.begin(float(time[0]), _before(events, open_findings))
        rows = self._steps.conditions.examine(readings, events)
        if first is not None:
            rows[0] = first.joined(rows.get(0, Row()))
        if own is not None and (mine := self._own(own)) is not None:
            rows[len(time) - 1] = rows.get(len(time) - 1, Row()).joined(mine)
        waiting, at = sorted(rows), -1
        while True:
            due = int(np.searchsorted(time, self._steps.next_due()))
            at = min(max(due, at + 1), waiting[0] if waiting else len(time))
            if at >= len(time):
                break
            if waiting and waiting[0] == at:
                waiting.pop(0)
            self._steps.take(float(time[at]), rows.get(at, Row()))
        self._now = float(time[-1])
        return self._ledger.drain()

    def _own(self, wrong: Mapping[str, str]) -> Row | None:
        """What has changed about the gateway itself."""
        row = Row()
        for d in self.definitions.on("gateway", SUBJECT):
            active = self._ledger.memory(d.id).active
            if d.fault in wrong and not active:
                row.own.append((d, wrong[d.fault]))
            elif active and d.fault not in wrong:
                row.back.append(d)
        return row if row.own or row.back else None

    def act(self, action: actions.Action, time: float) -> tuple[Transition, ...]:
        """Do what a person or a protocol wants at this time, all of it or nothing.

        RefusedError says what cannot be, why, and what can.
        """
        now = max(time, self._now, self._ledger.last[0])
        if action.until is not None and now - time >= AHEAD_S:
            # Rows run ahead of a clock that was set back: the span is what the asker means.
            action = replace(action, until=action.until + now - time)
        wanted = actions.wants(action, now, self._ledger)
        for want in wanted:
            self._ledger.destination(want.definition, want.event)
        self._routing.route(now, wanted)
        self._steps.time_holds((want.definition.id for want in wanted), now)
        return self._ledger.drain()


def _before(events: tuple[Finding, ...], open_after: Iterable[Finding]) -> dict[str, Finding]:
    """Findings that stood open before the events, by alarm id."""
    found = {named(f): f for f in open_after}
    for event in reversed(events):
        if event.phase == "raised":
            found.pop(named(event), None)
        else:
            found[named(event)] = event
    return found


def _gravity(one: Standing) -> tuple[bool, int, float, str]:
    d = one.definition
    return not one.shown, -RANK[d.priority], -one.memory.onset, d.id
