"""A whole loop check by hand on a terminal, over a gateway that is killed in the middle."""

from __future__ import annotations

import asyncio
import json
import signal
import sqlite3
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.demo.control import demo_site_path
from gateway.plant.site import Site
from gateway.plant.sitefile import read_site
from tests.cli.commands import command, environment, started, tell
from tests.whole.program import free_ports, plant, until

pytestmark = pytest.mark.server

WORDS = (
    "--person", "Ada Example", "--reference", "Calibrator 7", "--certificate", "C-1",
    "--uncertainty", "0.05 Pa", "--ambient", "21 degC", "--yes", "--scheme", "zero",
)  # fmt: skip


def site_file(folder: Path) -> tuple[Path, Site]:
    """The demo's site with its controllers on free ports, as a file."""
    text = demo_site_path().read_text()
    for port, free in zip((15020, 15021, 15022), free_ports(3), strict=True):
        text = text.replace(f"port = {port}", f"port = {free}")
    maps = folder / "maps"
    maps.mkdir()
    for one in (demo_site_path().parent / "maps").iterdir():
        (maps / one.name).write_bytes(one.read_bytes())
    file = folder / "site.toml"
    file.write_text(text)
    return file, read_site(file)


class Technician:
    """Does what the terminal asks for: turns the calibrators, and presses Enter."""

    def __init__(self, port: int, switches: httpx.AsyncClient) -> None:
        self.port, self.switches = port, switches
        self.said = ""

    async def check(self) -> Any:
        """The open check, None while there is none or nobody answers."""
        try:
            async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{self.port}") as client:
                found = (await client.get("/api/v1/checks")).json()["open"]
        except httpx.HTTPError:
            return None
        return found[0] if found else None

    async def listen(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdout
        while line := await process.stdout.readline():
            self.said += line.decode()

    async def enter(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdin
        process.stdin.write(b"\n")
        await process.stdin.drain()

    async def apply(self, pressures: dict[str, float]) -> None:
        for key, pressure in pressures.items():
            wanted = {"kind": "calibrator", "subject": key, "size": pressure, "on": True}
            (await self.switches.post("/faults", json=wanted)).raise_for_status()
        await asyncio.sleep(1.0)

    async def go_on(self, process: asyncio.subprocess.Process, *, steps: int = 99) -> None:
        """So many steps, or to the end."""
        done = 0
        while process.returncode is None and done < steps:
            check = await self.check()
            if check is None:
                await asyncio.sleep(0.2)
                continue
            if check["paused"]:
                # Once to be told so, where it was waiting for somebody, and once to go on.
                await self.enter(process)
                await asyncio.sleep(3.0)
                continue
            if check["task"] == "measure":
                await self.apply(check["apply"])
            # The terminal looks twice a second: what is typed before it asks again is not heard.
            await asyncio.sleep(1.5)
            before = _stand(check)
            await self.enter(process)
            await until(60, f"{before} is over", partial(self._beyond, before, process))
            done += 1

    async def _beyond(self, before: tuple[Any, ...], process: asyncio.subprocess.Process) -> bool:
        if process.returncode is not None:
            return True
        now = await self.check()
        if now is None:
            return process.returncode is not None or "Record " in self.said
        return _stand(now) != before


def _stand(check: Any) -> tuple[Any, ...]:
    return tuple(check[name] for name in ("done", "task", "transducer", "paused"))


@asynccontextmanager
async def terminal(folder: Path, *args: str, **settings: str) -> AsyncIterator[Any]:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "gateway", "loopcheck", *args,
        cwd=folder, env=environment(folder, **settings),
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )  # fmt: skip
    try:
        yield process
    finally:
        if process.returncode is None:
            tell(process, signal.SIGKILL)
            await process.wait()


def readings(folder: Path) -> list[str]:
    """Steps that are on disk."""
    file = folder / "state" / "history.sqlite3"
    connection = sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True)
    try:
        rows = connection.execute(
            "SELECT body FROM check_events WHERE kind = 'recorded' ORDER BY seq"
        ).fetchall()
    finally:
        connection.close()
    return [json.loads(body)["step"] for (body,) in rows]


@pytest.mark.timeout(600)
async def test_a_check_by_hand_outlives_its_gateway(tmp_path: Path) -> None:
    file, site = site_file(tmp_path)
    (port,) = free_ports(1)
    own = {"LOOPWITNESS_HTTP_PORT": str(port)}
    async with plant(site) as switches:
        wrong = {"kind": "live-zero-mismatch", "subject": "dp-202", "on": True}
        (await switches.post("/faults", json=wrong)).raise_for_status()
        hand = Technician(port, switches)
        async with started(tmp_path, "run", file, **own) as first:
            assert first.stdout
            await asyncio.wait_for(first.stdout.readline(), 60)
            async with terminal(tmp_path, "stair-b", *WORDS, **own) as process:
                listening = asyncio.create_task(hand.listen(process), name="listen")
                await until(60, "begun", hand.check)
                await hand.go_on(process, steps=3)
                before = readings(tmp_path)
                tell(first, signal.SIGKILL)
                await first.wait()
                async with started(tmp_path, "run", file, **own) as second:
                    assert second.stdout
                    await asyncio.wait_for(second.stdout.readline(), 60)
                    await hand.go_on(process)
                    assert await asyncio.wait_for(process.wait(), 60) == 0
                    await listening
                    listed = await command(tmp_path, "record", "--json", **own)
                    shown = await command(tmp_path, "record", "1", **own)
                    data = await command(tmp_path, "record", "1", "--json", **own)
                    pdf = await command(tmp_path, "record", "1", "--pdf", "one.pdf", **own)
    assert "Enter goes on" in hand.said
    assert len(before) == 2
    assert readings(tmp_path)[:2] == before, "nothing that was recorded is lost"
    assert len(readings(tmp_path)) == 7, "and nothing had to be read twice"
    assert "4-20 mA taken for 0-20 mA" in hand.said
    assert "Record 1: FAIL (as found: fail)" in hand.said
    assert listed.json()["broken"] == []
    assert [one["verdict"] for one in listed.json()["records"]] == ["fail"]
    assert "Record 1: FAIL" in shown.out
    record = data.json()
    assert [(m["fault"], m["subject"]) for m in record["mistakes"]] == [
        ("live-zero-mismatch", "dp-202")
    ]
    assert record["reference"]["identity"] == "Calibrator 7"
    assert pdf.code == 0
    assert (tmp_path / "one.pdf").read_bytes().startswith(b"%PDF-1.7")
