"""Out of service for the time of a loop check: its loop and its transducers, and back afterwards.

What somebody else has taken out of service stays theirs: it is neither taken nor given back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Literal

import structlog

from gateway.alarm import actions
from gateway.alarm.states import RefusedError
from gateway.annunciator import Annunciator
from gateway.errors import StoreError

Subject = tuple[Literal["transducer", "loop"], str]
LONGEST_S = 12 * 3600.0
"""Then it comes back by itself: a forgotten check must not keep alarms quiet for ever."""

log = structlog.get_logger(__name__)


class Service:
    """Takes and gives back. clock: seconds since 1970."""

    def __init__(self, alarms: Annunciator, clock: Callable[[], float]) -> None:
        self._alarms, self._clock = alarms, clock

    async def take(self, run: str, loop: str, transducers: Iterable[str], person: str) -> None:
        """Take a loop and its transducers out of service. StoreError when it is not kept."""
        whole = set(self._alarms.definitions.relations.whole("loop", loop))
        others = set(self._out()) - set(self._mine(run))
        wanted: list[Subject] = [] if others & whole else [("loop", loop)]
        wanted += [("transducer", key) for key in transducers]
        until = self._clock() + LONGEST_S
        for kind, subject in wanted:
            if (kind, subject) not in self._out():
                await self._alarms.act(
                    actions.out_of_service(kind, subject, person, _reason(run), until)
                )

    async def give_back(self, run: str, person: str) -> None:
        """Return what this check took; trouble is logged, for it comes back by itself later."""
        for kind, subject in self._mine(run):
            if (kind, subject) in self._mine(run):
                try:
                    action = actions.return_to_service(kind, subject, person, _reason(run))
                    await self._alarms.act(action)
                except (RefusedError, StoreError) as error:
                    log.warning("not returned to service", subject=subject, reason=str(error))

    def _out(self) -> dict[Subject, str]:
        """What is out of service, and the reason that was given; loops first."""
        found: dict[Subject, str] = {}
        for one in self._alarms.standing:
            kind, subject = one.definition.subject_of_kind
            if one.memory.service is not None and kind in ("loop", "transducer"):
                found["loop" if kind == "loop" else "transducer", subject] = (
                    one.memory.service.reason
                )
        return dict(sorted(found.items()))

    def _mine(self, run: str) -> list[Subject]:
        return [subject for subject, reason in self._out().items() if reason == _reason(run)]


def _reason(run: str) -> str:
    return f"loop check {run}"
