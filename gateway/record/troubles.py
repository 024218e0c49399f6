"""What is wrong with the gateway itself: its disk, its archive, its clock; in words."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping

from gateway.alarm.own import ARCHIVE, ASIDE, CLOCK, HISTORY, OWN
from gateway.live import ClockState, SinkState

from . import recorder, retention
from .store import Store

TOLD_S = 600.0
"""How long a file that was set aside is told; its alarm stays until somebody acknowledges it."""


class Troubles:
    """Looks at the store. steady: seconds of a clock that nobody sets."""

    def __init__(self, store: Store, steady: Callable[[], float] = time.monotonic) -> None:
        self._store, self._steady = store, steady
        self._aside, self._since = "", 0.0

    def found(self, sinks: Mapping[str, SinkState], clock: ClockState) -> dict[str, str]:
        """Words by what is wrong (`alarm/own.py`); nothing while all is well."""
        words = {}
        for name, wrong in ((recorder.NAME, HISTORY), (retention.ARCHIVE, ARCHIVE)):
            state = sinks.get(name)
            if state is not None and not state.connected:
                words[wrong] = f"{OWN[wrong].message}: {state.reason}"
        if aside := self._set_aside():
            words[ASIDE] = aside
        if clock.reason:
            words[CLOCK] = clock.reason
        return words

    def _set_aside(self) -> str:
        if self._aside != self._store.aside:
            self._aside, self._since = self._store.aside, self._steady()
        if self._aside and self._steady() - self._since < TOLD_S:
            return f"{OWN[ASIDE].message}: {self._aside}"
        if self._store.damaged:
            return "The history file has a damaged page; it is set aside at the next start"
        return ""
