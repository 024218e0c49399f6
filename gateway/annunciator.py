"""The alarms of a running gateway: how they stand, and the one door to act on them.

For whoever shows alarms or lets people act on them (pages, MQTT, BACnet); it is `live.alarms`.

To look: `live.latest.alarms` has every alarm that is not at rest as a `Standing` (definition,
memory, ids of its consequences), in the order in which a person should look at them; the tuple is
the same object as long as nothing changed. `standing.shown` tells what asks for attention from
what is shelved, suppressed or out of service. `live.alarms.of(id)` gives one alarm, also at rest;
`live.alarms.definitions.all()` is every alarm that the site may have. Every transition is an entry
of kind "alarm" in the journal (`record/journal.py`, `to_transition`).

To act: make an `Action` with the functions of `alarm/actions.py` (`acknowledge`, `shelve`,
`out_of_service` ...), with the name of the person or the protocol as its actor, and
`await live.alarms.act(action)`. When it returns, the action is on disk; it raises RefusedError for
what cannot be and StoreError for what cannot be recorded, both with words for the asker. A new
snapshot is shown before it returns.

One event loop: nothing here may be called from a thread.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Protocol

import structlog

from gateway.alarm.actions import Action
from gateway.alarm.definitions import Definitions
from gateway.alarm.machine import Alarms, Standing
from gateway.alarm.states import HIDDEN, RefusedError, State
from gateway.alarm.transition import Transition
from gateway.diagnose.findings import Finding
from gateway.errors import StoreError
from gateway.measure.blocks import Readings

QUIET = HIDDEN | {State.NORMAL}

log = structlog.get_logger(__name__)


class Logbook(Protocol):
    """Where the transitions that an action brings are kept before it is confirmed."""

    def trouble(self) -> str:
        """Why nothing can be kept now; empty while it can."""
        ...

    async def keep(self, transitions: Sequence[Transition]) -> None:
        """Return once these, and all that came before them, are on disk; StoreError if not."""
        ...


class NoLogbook:
    """Keeps nothing, and says so: nobody can act."""

    def trouble(self) -> str:
        """Always."""
        return "there is no store to record it in"

    async def keep(self, transitions: Sequence[Transition]) -> None:
        """Never."""
        raise StoreError(f"{len(transitions)} transitions: {self.trouble()}")


class Annunciator:
    """See the module. `examine` is for the row loop alone, `attach` for `Live`."""

    def __init__(
        self, alarms: Alarms, logbook: Logbook, clock: Callable[[], float] = time.time
    ) -> None:
        self._alarms, self._logbook, self._clock = alarms, logbook, clock
        self._standing = alarms.standing()
        self._closed = ""
        self._show: Callable[[], None] = lambda: None

    @property
    def definitions(self) -> Definitions:
        """Every alarm that this site may have."""
        return self._alarms.definitions

    @property
    def standing(self) -> tuple[Standing, ...]:
        """Alarms that are not at rest, hidden ones last: gravest first, then latest."""
        return self._standing

    def of(self, alarm: str) -> Standing:
        """One alarm, also when it is at rest; RefusedError when the site has no such alarm."""
        try:
            return self._alarms.of(alarm)
        except KeyError:
            raise RefusedError(f"{alarm}: no alarm of this site; allowed: fault:subject") from None

    def reported(self, findings: Iterable[Finding]) -> tuple[Finding, ...]:
        """Findings as they are told: "function check" while somebody works on their subject."""
        return self._alarms.reported(findings)

    async def act(self, action: Action) -> tuple[Standing, ...]:
        """Do it, all of it or nothing; what it changed, as it stands now, its target first.

        RefusedError: it cannot be. StoreError: it cannot be recorded; when the disk failed on the
        way its words say that it was done all the same. Cancelling does not undo it.
        """
        if trouble := self._closed or self._logbook.trouble():
            raise StoreError(f"{action.target or 'all alarms'}: {action.event}: {trouble}")
        changes = self._alarms.act(action, self._clock())
        self._standing = self._alarms.standing()
        log.info("alarm action", action=action.event.value, alarm=action.target,
                 actor=action.actor, reason=action.reason)  # fmt: skip
        try:
            await self._logbook.keep(changes)
        finally:
            self._show()
        names = dict.fromkeys(t.alarm for t in changes)
        return tuple(self._alarms.of(k) for k in sorted(names, key=lambda k: k != action.target))

    async def recorded(self) -> None:
        """Return once everything up to now is on disk; StoreError when it cannot be."""
        if trouble := self._closed or self._logbook.trouble():
            raise StoreError(trouble)
        await self._logbook.keep(())

    def examine(
        self,
        readings: Readings,
        events: Iterable[Finding],
        open_findings: Iterable[Finding],
        own: Mapping[str, str] | None = None,
    ) -> tuple[Transition, ...]:
        """What a row brings; to be recorded with it. See `Alarms.examine`."""
        changes = self._alarms.examine(readings, events, open_findings, own)
        if changes:
            self._standing = self._alarms.standing()
        for t in changes:
            if t.before is not t.after and not {t.before, t.after} <= QUIET:
                log.info("alarm", state=t.after.value, alarm=t.alarm, message=t.message)
        return changes

    def attach(self, show: Callable[[], None]) -> None:
        """Call `show` whenever an action has changed something."""
        self._show = show

    def close(self, reason: str) -> None:
        """Refuse every action from now on: the logbook ends."""
        self._closed = reason
