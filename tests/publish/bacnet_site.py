"""A site with units and limits for the BACnet tests, alarms in our hand, and a running device."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
import rusty_bacnet as rusty

from gateway.diagnose.findings import Finding, Status
from gateway.live import Live
from gateway.plant.site import Site
from gateway.publish.bacnet import publish_bacnet
from gateway.publish.bacnet_alarms import AlarmState, Terms
from tests.publish.made import START, options, snapshot, until
from tests.record.made import finding
from tests.sites import site, transducer

P1, P2, COMBINED, FEEDBACK, SETPOINT, OUTPUT = range(1, 7)
"""Instance numbers of a site that was never another one: the order of the site file."""
DEVICE = 4001
ANSWER_MS = 30_000
"""Who answers is never asked twice, however slow the machine is."""


def plant(*, more: int = 0) -> Site:
    """Two transducers, one in inches, in a loop with limits; `more` transducers besides.

    Half of span is 37.5 Pa for p1 and 0.5 inH2O for p2.
    """
    points = {
        "c1": {"table": "input", "address": 0},
        "c2": {"table": "input", "address": 1},
        "feedback": {"table": "holding", "address": 0, "type": "float32", "unit": "Pa"},
        "setpoint": {"table": "holding", "address": 2, "type": "float32", "unit": "inH2O"},
        "output": {"table": "holding", "address": 4, "scale": 0.01, "unit": "Hz"},
        "running": {"table": "holding", "address": 5, "bit": 0},
    }
    points |= {f"m{k}": {"table": "input", "address": 10 + k} for k in range(more)}
    transducers = {
        "p1": transducer("a.c1", location="Stair B, level 3", ports="high: stair; low: corridor"),
        "p2": transducer("a.c2", unit="inH2O", range=[0, 1]),
    }
    transducers |= {f"more-{k}": transducer(f"a.m{k}") for k in range(more)}
    reported = {name: f"a.{name}" for name in ("feedback", "setpoint", "output", "running")}
    stair = {
        "name": "Stair B pressurization",
        "transducers": ["p1", "p2"],
        "combine": "average",
        "limits": {"low": 10, "high": 90},
        "output_range": [15, 60],
        **reported,
    }
    return site(transducers, {"stair": stair}, {"a": {"host": "127.0.0.1", "points": points}})


def opened(subject: str = "p1", **changes: Any) -> Finding:
    """An open circuit."""
    return replace(finding(subject), **changes)


def of_loop(**changes: Any) -> Finding:
    """Two transducers that disagree."""
    return replace(
        finding("p1"), fault="disagreement", kind="loop", subject="stair", transducer=None,
        title="p1 and p2 disagree", status=Status.OUT_OF_SPECIFICATION, **changes,
    )  # fmt: skip


def wire_alarm(subject: str = "p1", **changes: Any) -> AlarmState:
    """The alarm behind an open circuit."""
    return replace(
        AlarmState(
            id=f"open-circuit:{subject}", fault="open-circuit", kind="transducer",
            subject=subject, is_fault=True, active=True, acknowledged=False, since=START,
            message=f"Open circuit at {subject}", priority="medium",
        ),
        **changes,
    )  # fmt: skip


def high_alarm(**changes: Any) -> AlarmState:
    """The alarm of a pressure above the high limit of 90 Pa."""
    return replace(
        AlarmState(
            id="pressure-high:stair", fault="pressure-high", kind="loop", subject="stair",
            is_fault=False, active=True, acknowledged=False, since=START,
            message="Pressure above 90 Pa", priority="high", side=1, limit_Pa=90.0,
        ),
        **changes,
    )  # fmt: skip


@dataclass
class Hand:
    """Alarms as the test wants them, and what was acknowledged."""

    alarms: list[AlarmState] = field(default_factory=list)
    acknowledged: list[tuple[str, str]] = field(default_factory=list)
    trouble: Exception | None = None

    def states(self) -> list[AlarmState]:
        return list(self.alarms)

    def terms(self, loop: str) -> Terms:
        assert loop
        return Terms(deadband_Pa=2.5, delay_s=14.2)

    async def acknowledge(self, alarm_id: str, actor: str) -> None:
        if self.trouble is not None:
            raise self.trouble
        self.acknowledged.append((alarm_id, actor))
        self.alarms = [
            replace(a, acknowledged=True) if a.id == alarm_id else a for a in self.alarms
        ]


@dataclass
class Running:
    """A device on the network; `show` is the next second of the plant."""

    live: Live
    hand: Hand
    port: int
    task: asyncio.Task[None]
    number: int = 0

    @property
    def to(self) -> str:
        return f"127.0.0.1:{self.port}"

    @property
    def pair(self) -> tuple[str, int]:
        return "127.0.0.1", self.port

    async def show(self, percent: float = 50.0, *findings: Finding, **changes: Any) -> None:
        """Show a snapshot, and let the device look at it."""
        self.number += 1
        made = snapshot(self.live.site, self.number, percent=percent, findings=findings)
        self.live.show(replace(made, **changes))
        for _ in range(5):
            await asyncio.sleep(0)
        if self.task.done():
            self.task.result()


def free_udp_port(host: str = "127.0.0.1") -> int:
    """A UDP port that nobody has."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


@asynccontextmanager
async def running(
    folder: Path,
    here: Site | None = None,
    *,
    hand: Hand | None = None,
    answer_ms: int = ANSWER_MS,
    **changes: Any,
) -> AsyncIterator[Running]:
    """A device that has its port, with a first snapshot shown; answer_ms: how long it waits."""
    port = changes.pop("bacnet_port", 0) or free_udp_port()
    settings = options(
        state_dir=folder, bacnet_enabled=True, bacnet_port=port, bacnet_device_instance=DEVICE,
        **changes,
    )  # fmt: skip
    live, hand = Live(here or plant()), hand or Hand()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("gateway.publish.bacnet_objects.ANSWER_MS", answer_ms)
        task = asyncio.create_task(publish_bacnet(live, hand, settings), name="device under test")
        device = Running(live, hand, port, task)
        try:
            await asyncio.sleep(0)
            await until(lambda: task.done() or live.sinks["bacnet"].connected)
            if task.done():
                task.result()
            await device.show()
            yield device
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


@asynccontextmanager
async def front_end(**changes: Any) -> AsyncIterator[rusty.BACnetClient]:
    """An independent client on a loopback port of its own."""
    given: dict[str, Any] = {
        "interface": "127.0.0.1",
        "port": 0,
        "broadcast_address": "127.255.255.255",
    }
    async with rusty.BACnetClient(**given, apdu_timeout_ms=8000, **changes) as client:
        yield client


def input_id(instance: int) -> rusty.ObjectIdentifier:
    """Identifier of an analog input."""
    return rusty.ObjectIdentifier(rusty.ObjectType.ANALOG_INPUT, instance)


async def everything(
    client: rusty.BACnetClient, to: str, object_id: rusty.ObjectIdentifier
) -> dict[str, Any]:
    """All properties of an object by name; bits as a tuple."""
    wanted: Any = [(object_id, [(rusty.PropertyIdentifier.ALL, None)])]
    (found,) = await client.read_property_multiple(to, wanted)
    return {
        repr(one["property_id"]).rpartition(".")[2]: plain(one["value"]) for one in found["results"]
    }


def plain(value: Any) -> Any:
    """A value of the client as plain Python."""
    inner = getattr(value, "value", value)
    if isinstance(inner, dict) and "unused_bits" in inner:
        octets, unused = inner["data"], inner["unused_bits"]
        bits = [octet >> (7 - k) & 1 for octet in octets for k in range(8)]
        return tuple(bits[: len(bits) - unused])
    return [plain(one) for one in inner] if isinstance(inner, list) else inner
