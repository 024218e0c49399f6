"""Which retained states are due: at once after a change that matters, else now and then."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterator
from dataclasses import dataclass, field
from functools import partial

from gateway.diagnose.findings import Finding
from gateway.live import LinkState, Snapshot
from gateway.plant.site import Site

from . import payloads
from .topics import Topics


@dataclass(frozen=True)
class State:
    """One retained message. A new `key` makes it due; `payload` is made only when it is sent."""

    topic: str
    key: Hashable
    payload: Callable[[], str]


def states(site: Site, snapshot: Snapshot, topics: Topics) -> Iterator[State]:
    """Every retained state of a site at a snapshot."""
    by_loop: dict[str, list[Finding]] = defaultdict(list)
    by_transducer: dict[str, list[Finding]] = defaultdict(list)
    for finding in snapshot.findings:
        for loop_id in finding.loops:
            by_loop[loop_id].append(finding)
        if finding.transducer:
            by_transducer[finding.transducer].append(finding)
    now = snapshot.readings
    for column, name in enumerate(site.loops):
        quality = (now.combined_quality[0, column], now.combined_reasons[0, column])
        running = str(now.running[0, column])
        yield State(
            topics.loop(name),
            (*quality, running, *_open(by_loop[name])),
            partial(payloads.loop, site, snapshot, name),
        )
    for column, name in enumerate(site.transducers):
        yield State(
            topics.transducer(name),
            (now.quality[0, column], now.reasons[0, column], *_open(by_transducer[name])),
            partial(payloads.transducer, site, snapshot, name),
        )
    for name in site.controllers:
        link = snapshot.links.get(name, LinkState(name))
        yield State(
            topics.controller(name),
            (link.connected, link.reason),
            partial(payloads.controller, site, link),
        )


def _open(findings: list[Finding]) -> Iterator[Hashable]:
    return ((finding.id, finding.status) for finding in findings)


@dataclass
class Sent:
    """What the broker was last told, and when; empty after every new connection."""

    interval_s: float
    keys: dict[str, Hashable] = field(default_factory=dict)
    times: dict[str, float] = field(default_factory=dict)

    def is_due(self, state: State, now: float) -> bool:
        """True for a changed state and for one told too long ago (seconds since 1970)."""
        if self.keys.get(state.topic) != state.key:
            return True
        return not 0 <= now - self.times[state.topic] < self.interval_s

    def add(self, state: State, now: float) -> None:
        """The broker has this state."""
        self.keys[state.topic] = state.key
        self.times[state.topic] = now
