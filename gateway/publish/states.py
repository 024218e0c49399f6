"""Which retained states are due: at once after a change that matters, else now and then."""

from __future__ import annotations

from collections.abc import Callable, Container, Hashable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial

from gateway.alarm.machine import Standing
from gateway.annunciator import Annunciator
from gateway.diagnose.findings import Finding
from gateway.live import LinkState, Snapshot
from gateway.plant.site import Site

from . import payloads
from .topics import Topics


@dataclass(frozen=True)
class State:
    """One retained message. A new `key` makes it due; `payload` is made only when it is sent.

    repeats: it has numbers that move, so it is due now and then without a new key as well.
    """

    topic: str
    key: Hashable
    payload: Callable[[], str]
    repeats: bool = True


def states(site: Site, snapshot: Snapshot, topics: Topics) -> Iterator[State]:
    """Every retained state of a site at a snapshot."""
    now, work = snapshot.readings, snapshot.under_work
    for column, name in enumerate(site.loops):
        quality = (now.combined_quality[0, column], now.combined_reasons[0, column])
        running = str(now.running[0, column])
        yield State(
            topics.loop(name),
            (*quality, running, ("loop", name) in work, *_open(snapshot.of_loop.get(name, ()))),
            partial(payloads.loop, site, snapshot, name),
        )
    for column, name in enumerate(site.transducers):
        quality = (now.quality[0, column], now.reasons[0, column])
        yield State(
            topics.transducer(name),
            (*quality, ("transducer", name) in work, *_open(snapshot.of_transducer.get(name, ()))),
            partial(payloads.transducer, site, snapshot, name),
        )
    for name in site.controllers:
        link = snapshot.links.get(name, LinkState(name))
        yield State(
            topics.controller(name),
            (link.connected, link.reason),
            partial(payloads.controller, site, link),
        )


def worth_telling(snapshot: Snapshot, known: Container[str]) -> list[Standing]:
    """Alarms that stand and are to have a retained state.

    Not those that somebody's work or a stopped fan has taken away and that nobody has ever heard
    of: they are a hundred for one loop.
    """
    return [
        one
        for one in snapshot.alarms
        if one.shown or one.memory.active or one.memory.shelf or one.definition.id in known
    ]


def alarm_states(
    alarms: Annunciator, snapshot: Snapshot, topics: Topics, shown: Iterable[Standing]
) -> Iterator[State]:
    """The retained state of each of these alarms, standing or at rest."""
    standing = {one.definition.id: one for one in snapshot.alarms}
    for one in shown:
        yield State(
            topics.alarm(one.definition.id),
            (one.memory, one.definition.priority, len(one.consequences), *_below(one, standing)),
            partial(payloads.alarm, alarms, snapshot, one),
            repeats=False,
        )


def _below(one: Standing, standing: dict[str, Standing]) -> Iterator[Hashable]:
    """What a listed consequence is told with."""
    for name in one.consequences[: payloads.MOST_CONSEQUENCES]:
        if name in standing:
            yield name, standing[name].memory.state, standing[name].memory.active


def _open(findings: Iterable[Finding]) -> Iterator[Hashable]:
    return ((finding.id, finding.status) for finding in findings)


@dataclass
class Sent:
    """What the broker was last told, and when; empty after every new connection.

    refused: topic -> why the broker did not want it; tried again at the interval.
    """

    interval_s: float
    keys: dict[str, Hashable] = field(default_factory=dict)
    times: dict[str, float] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)

    def due(self, shown: Iterable[State], now: float) -> list[State]:
        """Those of them that are due: changed ones first, then what was told longest ago."""
        due = [state for state in shown if self.is_due(state, now)]
        return sorted(due, key=lambda state: (self._is_known(state), self._when(state)))

    def _is_known(self, state: State) -> bool:
        return self.keys.get(state.topic) == state.key

    def _when(self, state: State) -> float:
        return self.times.get(state.topic, 0.0)

    def is_due(self, state: State, now: float) -> bool:
        """True for a changed state and for one told too long ago (seconds since 1970)."""
        if not self._is_known(state):
            return True
        again = state.repeats or state.topic in self.refused
        return again and not 0 <= now - self.times[state.topic] < self.interval_s

    def add(self, state: State, now: float, refused: str = "") -> None:
        """The broker has this state, or has refused it."""
        self.keys[state.topic] = state.key
        self.times[state.topic] = now
        self.refused.pop(state.topic, None)
        if refused:
            self.refused[state.topic] = refused

    @property
    def trouble(self) -> str:
        """What it refuses, in words."""
        if not self.refused:
            return ""
        topic, reason = next(iter(self.refused.items()))
        return f"the broker refuses {len(self.refused)} retained states, such as {topic}: {reason}"
