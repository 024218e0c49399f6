"""When much goes wrong at once: one alarm that says so, with the others listed under it.

The bound that is kept: never more than 10 annunciations in any 10 minutes (ISA-18.2 / EEMUA 191,
secondary texts: at most 10 in any 10 minutes; a flood starts above 10 and ends below 5). How many
failures at once point to something shared is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import inf

from .definitions import MANY_ANYWHERE, MANY_HERE, Definition, alarm_id
from .ledger import Ledger
from .memory import WINDOW_S

TOGETHER = 4
"""So many transducers behind one controller, or controllers of the site, failed together."""
GATHER_S = 60.0
"""What begins this soon after the last one belongs to the same event."""
BUDGET = 8
"""Annunciations in 10 minutes before the rest is grouped: two below 10 for the groups."""
FEW_HERE = 2
FEW_ANYWHERE = 5
"""A flood ends with fewer than 5 in 10 minutes."""


@dataclass
class Grouping:
    """What becomes of alarms.

    raised: groups that begin. under: alarm id -> id of its group. pulled: ids of alarms on display
    that go under a group now.
    """

    raised: list[Definition] = field(default_factory=list)
    under: dict[str, str] = field(default_factory=dict)
    pulled: list[str] = field(default_factory=list)


class Groups:
    """Decides on groups; remembers nothing that the ledger does not."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._everywhere = ledger.definitions.of(
            alarm_id(MANY_ANYWHERE, ledger.definitions.site.site.id)
        )

    def sort(self, time: float, shown: Sequence[Definition]) -> Grouping:
        """What becomes of alarms that would all begin to be shown now; causes first."""
        grouping = Grouping()
        if shown:
            by_controller: dict[str, list[Definition]] = {}
            for d in shown:
                if (controller := self._behind(d)) is not None:
                    by_controller.setdefault(controller, []).append(d)
            for controller, mine in by_controller.items():
                self._behind_one(time, controller, mine, grouping)
            rest = grouping.raised + [d for d in shown if d.id not in grouping.under]
            self._anywhere(time, rest, grouping)
        return grouping

    def over(self, time: float) -> list[Definition]:
        """Groups whose event is over; what is left under them stands by itself from now on."""
        ended = []
        for alarm in sorted(self._ledger.active_groups, key=self._ledger.place, reverse=True):
            d = self._ledger.definitions.of(alarm)
            few = FEW_HERE
            if d is self._everywhere:
                few = FEW_ANYWHERE
                if self._count(time) >= FEW_ANYWHERE:
                    continue
            if sum(self._ledger.memory(k).active for k in self._ledger.below(alarm)) < few:
                ended.append(d)
        return ended

    def next_look(self, time: float) -> float:
        """When, after `time`, the site's group may be over although nothing happens; else inf."""
        recent = self._ledger.recent
        if self._everywhere.id not in self._ledger.active_groups or len(recent) < FEW_ANYWHERE:
            return inf
        due = recent[-FEW_ANYWHERE][0] + WINDOW_S
        return due if due > time else inf

    def _behind_one(
        self, time: float, controller: str, mine: list[Definition], grouping: Grouping
    ) -> None:
        group = self._ledger.definitions.of(alarm_id(MANY_HERE, controller))
        if group.id in self._ledger.active_groups:
            if self._gathers(time, group):
                grouping.under |= {d.id: group.id for d in mine}
            return
        early = [d for d in self._shown(time) if self._behind(d) == controller]
        if len({d.subject for d in [*mine, *early]}) >= TOGETHER:
            grouping.raised.append(group)
            grouping.under |= {d.id: group.id for d in mine}
            grouping.pulled += [d.id for d in early]
            grouping.under |= {d.id: group.id for d in early}

    def _anywhere(self, time: float, rest: list[Definition], grouping: Grouping) -> None:
        group = self._everywhere
        active = group.id in self._ledger.active_groups
        if active and self._gathers(time, group):
            joined = rest
        else:
            mine = [d for d in rest if d.kind == "controller"]
            early = [d for d in self._shown(time) if d.kind == "controller"]
            together = len({d.subject for d in [*mine, *early]}) >= TOGETHER
            joined = mine if mine and together else []
            left = len(rest) - len(joined)
            if self._count(time) + left > BUDGET:
                joined = rest
        if joined:
            if not active:
                grouping.raised.insert(0, group)
            grouping.under |= {d.id: group.id for d in joined}

    def _behind(self, d: Definition) -> str | None:
        """The controller that a transducer's alarm stands behind."""
        if d.kind != "transducer":
            return None
        return self._ledger.definitions.relations.controller_of[d.subject]

    def _shown(self, time: float) -> list[Definition]:
        """Alarms that began to be shown a moment ago and still are."""
        names = {alarm: None for at, alarm in self._ledger.recent if time - at < GATHER_S}
        return [self._ledger.definitions.of(k) for k in names if self._free(k)]

    def _free(self, alarm: str) -> bool:
        memory = self._ledger.memory(alarm)
        hidden = memory.cause or memory.rule or memory.shelf or memory.service
        return memory.active and not hidden

    def _gathers(self, time: float, group: Definition) -> bool:
        onsets = [self._ledger.memory(k).onset for k in (group.id, *self._ledger.below(group.id))]
        # An onset that is to come is of a clock that was ahead; it must not gather until then.
        return abs(time - max(onsets)) < GATHER_S

    def _count(self, time: float) -> int:
        """Annunciations in the last 10 minutes."""
        return sum(at + WINDOW_S > time for at, _ in self._ledger.recent)
