"""What is known at this instant, and a way to wait for the next.

`run.py` shows a new `Snapshot` after every row; pages and publishers look at it or wait for a
newer one. A slow reader misses snapshots, never blocks the poller.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from gateway.alarm.machine import Alarms, Standing
from gateway.alarm.memory import Hold
from gateway.alarm.relations import Subject
from gateway.annunciator import Annunciator, NoLogbook
from gateway.diagnose.findings import Finding
from gateway.measure.blocks import Readings
from gateway.measure.columns import columns
from gateway.plant.site import Site


@dataclass(frozen=True)
class LinkState:
    """How one controller answers. Times are seconds since 1970 UTC, None before the first."""

    controller: str
    connected: bool = False
    reason: str = "not read yet"
    """Empty while it answers, else why it does not."""
    last_answer: float | None = None
    polls: int = 0
    failures: int = 0
    missed_ticks: int = 0
    reconnects: int = 0
    response_ms: float | None = None
    """Time the latest poll took."""


@dataclass(frozen=True)
class SinkState:
    """How one receiver (MQTT broker, time-series server ...) is doing."""

    name: str
    connected: bool = False
    reason: str = ""
    sent: int = 0
    failures: int = 0
    waiting: int = 0
    """Records that it has yet to take."""
    last_sent: float | None = None


@dataclass(frozen=True)
class ClockState:
    """How the clock of this machine behaves.

    steps: how often it was set since the start. ahead_s: how far rows run ahead of it.
    """

    steps: int = 0
    ahead_s: float = 0.0
    reason: str = ""
    """What there is to say of it; empty when all is well."""


@dataclass(frozen=True)
class Snapshot:
    """One row of readings with everything around it. `readings` has exactly one row.

    A row is shown again, under the next number, when somebody has acted on an alarm.
    """

    number: int
    time: float
    readings: Readings
    findings: tuple[Finding, ...]
    """Open ones, oldest first, as they are told: "function check" under work."""
    links: Mapping[str, LinkState]
    sinks: Mapping[str, SinkState] = field(default_factory=dict)
    alarms: tuple[Standing, ...] = ()
    """Those not at rest; see `annunciator.py`."""
    clock: ClockState = ClockState()
    troubles: Mapping[str, str] = field(default_factory=dict)
    """What is wrong with the gateway itself, in words; see `alarm/own.py`."""

    @cached_property
    def under_work(self) -> Mapping[Subject, Hold]:
        """Transducers and loops that somebody has taken out of service: who, why, until when."""
        return {
            one.definition.subject_of_kind: one.memory.service
            for one in self.alarms
            if one.memory.service is not None
        }

    @cached_property
    def of_loop(self) -> Mapping[str, Sequence[Finding]]:
        """Open findings that touch a loop, oldest first; nothing for the others.

        Looked up, not searched: with a fault in every loop a site of a thousand has thousands.
        """
        return _by(self.findings, lambda finding: finding.loops)

    @cached_property
    def of_transducer(self) -> Mapping[str, Sequence[Finding]]:
        """Open findings about a transducer, likewise."""
        return _by(self.findings, lambda f: (f.transducer,) if f.transducer is not None else ())

    @cached_property
    def by_id(self) -> Mapping[str, Finding]:
        """Open findings by their stable name."""
        return {finding.id: finding for finding in self.findings}


def _by(
    findings: Iterable[Finding], keys: Callable[[Finding], Iterable[str]]
) -> Mapping[str, Sequence[Finding]]:
    found: dict[str, list[Finding]] = {}
    for finding in findings:
        for key in keys(finding):
            found.setdefault(key, []).append(finding)
    return found


class Live:
    """Holds the latest snapshot of a site; one event loop only.

    alarms: the door to act on them; without it there are none, and nobody can act. sinks: how
    receivers are doing, by name, written by themselves.
    """

    def __init__(
        self,
        site: Site,
        alarms: Annunciator | None = None,
        sinks: dict[str, SinkState] | None = None,
    ) -> None:
        self.site = site
        self.alarms = alarms or Annunciator(Alarms(site, columns(site)), NoLogbook())
        self.alarms.attach(self._show_alarms)
        self.latest: Snapshot | None = None
        self.sinks = {} if sinks is None else sinks
        self.notices: dict[str, str] = {}
        """What somebody should know, in words, by its name in `alarm/own.py`."""
        self.learnt: Mapping[str, Any] = {}
        """The learnt picture as `diagnose/picture.py` writes it, renewed every minute or so."""
        self._changed = asyncio.Event()

    @property
    def next_number(self) -> int:
        """For the next snapshot."""
        return self.latest.number + 1 if self.latest else 1

    def show(self, snapshot: Snapshot) -> None:
        """Replace the latest snapshot and wake everyone who waits."""
        self.latest = snapshot
        woken, self._changed = self._changed, asyncio.Event()
        woken.set()

    def _show_alarms(self) -> None:
        """The latest row again, with the alarms as they stand now."""
        if self.latest is not None:
            # Findings of what has just come back to service wait for the next row.
            told = self.alarms.reported(self.latest.findings)
            number, standing = self.next_number, self.alarms.standing
            self.show(replace(self.latest, number=number, findings=told, alarms=standing))

    async def newer_than(self, number: int) -> Snapshot:
        """The latest snapshot, as soon as its number is above `number`."""
        while self.latest is None or self.latest.number <= number:
            await self._changed.wait()
        return self.latest

    def snapshots(self) -> Snapshots:
        """Every snapshot from now on that the reader is quick enough for."""
        return Snapshots(self)


class Snapshots(AsyncIterator[Snapshot]):
    """Iterates over newer and newer snapshots; never ends by itself."""

    def __init__(self, live: Live) -> None:
        self._live = live
        self._seen = -1

    async def __anext__(self) -> Snapshot:
        snapshot = await self._live.newer_than(self._seen)
        self._seen = snapshot.number
        return snapshot
