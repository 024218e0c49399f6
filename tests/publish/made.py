"""A site, snapshots of it, and settings for the receivers' tests; the numbers are invented."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from typing import Any

import numpy as np

from gateway.alarm.states import Event, State
from gateway.alarm.transition import Priority, Transition
from gateway.diagnose.findings import Finding
from gateway.live import LinkState, Live, Snapshot
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.settings import Settings
from tests.record.made import START, finding, plant, rows
from tests.sites import block, counts_for

__all__ = ["START", "finding", "plant", "rows"]


def transition(number: int) -> Transition:
    """The alarm about a wire: it begins, is acknowledged, returns, and again."""
    normal, active, seen = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED
    event, before, after = (
        (Event.ALARM, normal, active),
        (Event.ACKNOWLEDGE, active, seen),
        (Event.RETURN, seen, normal),
    )[number % 3]
    return Transition(
        time=START + number, order=0, alarm="open-circuit:p1", fault="open-circuit",
        kind="transducer", subject="p1", event=event, before=before, after=after,
        priority=Priority.MEDIUM, message="Open circuit",
        actor="Ada (MQTT)" if event is Event.ACKNOWLEDGE else "gateway",
    )  # fmt: skip


def snapshot(
    here: Site,
    number: int = 0,
    *,
    percent: float = 50.0,
    findings: tuple[Finding, ...] = (),
    links: dict[str, LinkState] | None = None,
) -> Snapshot:
    """Both transducers at `percent` of span; row `number`, a second apart."""
    counts = np.array([counts_for(percent)])
    now = START + number
    means = Measure(here).examine(block(here, {"a.c1": counts, "a.c2": counts}, start=now))
    return Snapshot(
        number, now, means, findings, links or {"a": LinkState("a", connected=True, reason="")}
    )


def shown(live: Live, number: int, **changes: Any) -> None:
    """Show a snapshot."""
    live.show(snapshot(live.site, number, **changes))


def free_port() -> int:
    """A loopback port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def options(**changes: Any) -> Settings:
    """Settings as given, the rest as shipped."""
    return Settings(_env_file=None, **changes)


async def until(test: Callable[[], Any], seconds: float = 100.0) -> Any:
    """Wait until `test()` is true; its value."""
    async with asyncio.timeout(seconds):
        while not (value := test()):  # noqa: ASYNC110 - looks at other processes too
            await asyncio.sleep(0.02)
    return value
