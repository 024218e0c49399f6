"""Which alarm explains which: one broken wire is one alarm with its consequences listed.

From the catalogue: a fault that is blocked by another, or follows from that of a fellow
transducer, or looks like one that comes before it. Beyond the catalogue: a transducer that fails
explains what its loops suffer, and a controller that cannot be read explains everything behind it.
Two things are never hidden: a consequence graver than its cause, and a passed limit whose cause
nobody sees, or that comes long after it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import inf

from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.diagnose.findings import Status

from .definitions import Definition
from .ledger import Ledger
from .relations import Subject
from .transition import RANK

BACK_S = 300.0
"""A consequence may come this much before its cause is named (common practice, no source)."""
AHEAD_S = 600.0
"""A limit passed later than this after the cause began stands by itself."""

Pending = Mapping[Subject, Iterable[Definition]]
"""Alarms about to begin in this very row."""
MISLEADING = frozenset(CATALOGUE["over-range"].follows)
"""Faults of one transducer that make its loop hold a wrong pressure."""


def window(cause: Definition, effect: Definition) -> tuple[float, float] | None:
    """Seconds before and after the cause's onset in which the effect is explained by it.

    None when it is never. Both must stand near each other on the site (`Relations`).
    """
    if cause.entry is None or cause.rank >= effect.rank:
        return None
    if _by_catalogue(cause, effect):
        return inf, inf
    graver = RANK[effect.priority] > RANK[cause.priority]
    if graver or not _by_place(cause, effect):
        return None
    return BACK_S, AHEAD_S if effect.limit else inf


def _by_catalogue(cause: Definition, effect: Definition) -> bool:
    entry = effect.entry
    if entry is None:
        return False
    if cause.kind == effect.kind == "transducer" and cause.subject != effect.subject:
        return cause.fault in entry.follows
    if cause.fault in entry.blocked_by:
        return True
    return cause.kind == effect.kind and cause.fault in entry.rivals


def _by_place(cause: Definition, effect: Definition) -> bool:
    """A controller that cannot be read, or a transducer that misleads its loops."""
    if cause.entry is None:
        return False
    if cause.kind == "controller":
        return cause.entry.group == "link"
    fails = cause.entry.status is Status.FAILURE or (effect.limit and cause.fault in MISLEADING)
    return cause.kind == "transducer" and effect.kind == "loop" and bool(fails)


class Causes:
    """Finds who explains whom among the alarms that stand."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def of(self, effect: Definition, onset: float, time: float, pending: Pending) -> str:
        """Id of the alarm that explains one which began at `onset`; "" when nothing does."""
        ledger, relations = self._ledger, self._ledger.definitions.relations
        best: Definition | None = None
        for near in relations.causes_near(effect.kind, effect.subject):
            here = [(c, ledger.memory(c.id).onset) for c in map(self._of, ledger.active_on(near))]
            here += [(c, time) for c in pending.get(near, ())]
            for cause, began in here:
                lower = best is None or (cause.rank, cause.id) < (best.rank, best.id)
                if lower and self._explains(cause, began, effect, onset):
                    best = cause
        return best.id if best else ""

    def effects(self, cause: Definition) -> list[Definition]:
        """Alarms on display that this one, which has just begun, explains."""
        ledger, relations = self._ledger, self._ledger.definitions.relations
        began = ledger.memory(cause.id).onset
        found = []
        for near in relations.effects_near(cause.kind, cause.subject):
            for effect in map(self._of, ledger.active_on(near)):
                memory = ledger.memory(effect.id)
                free = not (memory.cause or memory.rule or memory.shelf or memory.service)
                if free and self._explains(cause, began, effect, memory.onset):
                    found.append(effect)
        return sorted(found, key=lambda d: (d.rank, d.id))

    def still(self, cause: str, effect: Definition) -> bool:
        """Whether a cause goes on explaining what it has explained so far."""
        if not self._ledger.memory(cause).active:
            return False
        return effect.limit is None or self.on_display(cause)

    def on_display(self, alarm: str) -> bool:
        """Whether an alarm, or at last one that explains it, is where people see it."""
        memory = self._ledger.memory(alarm)
        if memory.shelf or memory.service:
            return False
        return self.on_display(memory.cause) if memory.cause else True

    def _explains(self, cause: Definition, began: float, effect: Definition, onset: float) -> bool:
        seconds = window(cause, effect)
        if seconds is None or not began - seconds[0] <= onset <= began + seconds[1]:
            return False
        return effect.limit is None or self.on_display(cause.id)

    def _of(self, alarm: str) -> Definition:
        return self._ledger.definitions.of(alarm)
