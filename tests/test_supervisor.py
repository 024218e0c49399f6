"""A supervisor is told what is true: ready, alive while rows are made, stopping."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from gateway.live import SinkState
from gateway.supervisor import PARTS, Supervisor, keep_told, supervisor_of
from tests.web.archive import START, archive
from tests.web.feeder import Feeder

WATCHDOG_S = 6.0
PAUSE = WATCHDOG_S / PARTS


class Ear:
    """The supervisor's end of the socket."""

    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(address)
        self._socket.settimeout(0)

    def heard(self) -> list[str]:
        """Messages since the last look."""
        out = []
        with suppress(BlockingIOError):
            while True:
                out.append(self._socket.recv(4096).decode())
        return out

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def ear(tmp_path: Path) -> Iterator[Ear]:
    found = Ear(str(tmp_path / "notify"))
    yield found
    found.close()


class Watched:
    """`keep_told` over a feeder, with time that goes by looks."""

    def __init__(self, address: str) -> None:
        self.feeder = Feeder(archive(), clock=lambda: START)
        self.now = 0.0
        self.up = asyncio.Event()
        self._turn, self._looked = asyncio.Event(), asyncio.Event()
        self.task = asyncio.create_task(
            keep_told(
                self.feeder.live, self.up, Supervisor(address, WATCHDOG_S),
                clock=lambda: self.now, sleep=self._sleep,
            )
        )  # fmt: skip

    async def _sleep(self, seconds: float) -> None:
        self._looked.set()
        await self._turn.wait()
        self._turn.clear()
        self.now += seconds

    async def look(self) -> None:
        """Let the time to the next look go by."""
        await self._looked.wait()
        self._looked.clear()
        self._turn.set()
        await self._looked.wait()

    async def end(self) -> None:
        self.task.cancel()
        with suppress(asyncio.CancelledError):
            await self.task


async def test_ready_when_the_page_is_up_and_alive_while_rows_are_made(
    tmp_path: Path, ear: Ear
) -> None:
    watched = Watched(str(tmp_path / "notify"))
    await asyncio.sleep(0)
    assert ear.heard() == []
    watched.up.set()
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    for k in range(10):
        watched.feeder.row(START + k)
        await watched.look()
    assert watched.now == pytest.approx(10 * PAUSE)
    ready, *rest = ear.heard()
    assert ready == "READY=1\nSTATUS=harbour-archive: no row yet"
    assert rest == ["WATCHDOG=1\nSTATUS=harbour-archive: 3 of 3 controllers answer"] * 10
    await watched.end()


async def test_not_alive_when_no_rows_come(tmp_path: Path, ear: Ear) -> None:
    """Rows are due every second: after 5 s without one the watchdog hears nothing more."""
    watched = Watched(str(tmp_path / "notify"))
    watched.up.set()
    watched.feeder.row(START)
    await watched.look()
    assert [m.split("\n")[0] for m in ear.heard()] == ["READY=1", "WATCHDOG=1"]
    latest = watched.feeder.live.latest
    assert latest is not None
    for number in range(2, 9):
        # A row that is shown again because somebody acted is no new row.
        watched.feeder.live.show(replace(latest, number=number))
        await watched.look()
    assert [m.split("\n")[0] for m in ear.heard()] == [
        "WATCHDOG=1", "STATUS=no row for 6 s",
    ]  # fmt: skip
    watched.feeder.row(START - 3600)  # the clock was set back; rows are made again
    await watched.look()
    assert [m.split("\n")[0] for m in ear.heard()] == ["WATCHDOG=1"]
    await watched.end()


async def test_trouble_of_the_store_is_told_and_is_no_reason_to_die(
    tmp_path: Path, ear: Ear
) -> None:
    watched = Watched(str(tmp_path / "notify"))
    watched.feeder.live.sinks["store"] = SinkState("store", reason="disk\nfull")
    watched.up.set()
    watched.feeder.row(START)
    await watched.look()
    assert ear.heard()[1] == (
        "WATCHDOG=1\nSTATUS=harbour-archive: 3 of 3 controllers answer; store: disk full"
    )
    await watched.end()


def test_who_supervises_stands_in_the_environment() -> None:
    assert supervisor_of({}) == Supervisor("", None)
    given = {"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "30000000"}
    assert supervisor_of(given) == Supervisor("/run/x", 30.0)
    assert supervisor_of({**given, "WATCHDOG_PID": "1"}) == Supervisor("/run/x", None)
    assert supervisor_of({**given, "WATCHDOG_USEC": "soon"}) == Supervisor("/run/x", None)


def test_nobody_listens_and_names_without_a_file(tmp_path: Path) -> None:
    Supervisor().tell("READY=1")
    Supervisor(str(tmp_path / "none")).tell("READY=1")
    name = f"loopwitness-{tmp_path.name}-{id(tmp_path)}"
    ear = Ear(f"\0{name}")
    Supervisor(f"@{name}").tell("STOPPING=1")
    assert ear.heard() == ["STOPPING=1"]
    ear.close()
