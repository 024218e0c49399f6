"""How a receiver is doing: kept in the live state, logged when it changes."""

from __future__ import annotations

import time
from collections.abc import MutableMapping
from dataclasses import replace

import structlog

from gateway.live import SinkState

log = structlog.get_logger(__name__)


class Sink:
    """The state of one receiver in `sinks`. No text with one of `secrets` in it gets out."""

    def __init__(
        self, name: str, sinks: MutableMapping[str, SinkState], secrets: tuple[str, ...] = ()
    ) -> None:
        self.name = name
        self._sinks = sinks
        self._secrets = [secret for secret in secrets if secret]
        self._told = ""
        self._notes: dict[str, str] = {}
        sinks[name] = SinkState(name, reason="not connected yet")

    @property
    def state(self) -> SinkState:
        """As shown."""
        return self._sinks[self.name]

    def up(self, remark: str = "") -> None:
        """It takes records; `remark`: something to know all the same."""
        if not self.state.connected:
            log.info("receiver connected", receiver=self.name)
        self._told = ""
        self._notes = {"": remark}
        self._show_notes(connected=True)

    def note(self, about: str, words: str = "") -> None:
        """Something to know about one part of what goes there; without words: no longer so."""
        self._notes[about] = words
        self._show_notes(connected=self.state.connected)

    def down(self, reason: str) -> None:
        """It does not; counted every time, logged when the reason is a new one."""
        for secret in self._secrets:
            reason = reason.replace(secret, "***")
        if reason != self._told:
            log.warning("receiver not to be had", receiver=self.name, reason=reason)
        self._told = reason
        self._sinks[self.name] = replace(
            self.state, connected=False, reason=reason, failures=self.state.failures + 1
        )

    def _show_notes(self, *, connected: bool) -> None:
        words = "; ".join(filter(None, self._notes.values()))
        self._sinks[self.name] = replace(self.state, connected=connected, reason=words)

    def sent(self, number: int) -> None:
        """It has taken so many records just now."""
        self._sinks[self.name] = replace(
            self.state, sent=self.state.sent + number, last_sent=time.time()
        )

    def waiting(self, number: int) -> None:
        """So many are to come."""
        self._sinks[self.name] = replace(self.state, waiting=number)
