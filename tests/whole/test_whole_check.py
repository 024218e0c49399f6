"""A whole loop check by hand on a terminal, over a gateway that is killed in the middle."""

from __future__ import annotations

import asyncio
import json
import re
import signal
import sqlite3
import sys
import time
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
from tests.cli.commands import command, environment, tell
from tests.whole.program import free_ports, plant

pytestmark = pytest.mark.server

WORDS = (
    "--person", "Ada Example", "--reference", "Calibrator 7", "--certificate", "C-1",
    "--uncertainty", "0.05 Pa", "--ambient", "21 degC", "--yes", "--scheme", "zero",
)  # fmt: skip
SWIFT = Path(__file__).with_name("swift.py")
PATIENCE_S = 180.0
"""For each thing that is waited for: a slow machine is no fault."""


def site_file(folder: Path) -> tuple[Path, Site]:
    """The demo's site with its controllers on free ports, polled twice a second, as a file."""
    text = demo_site_path().read_text()
    for port, free in zip((15020, 15021, 15022), free_ports(3), strict=True):
        text = text.replace(f"port = {port}", f"port = {free}")
    text = text.replace("interval_s = 1.0", "interval_s = 0.5")
    text = text.replace("timeout_s = 0.6", "timeout_s = 3.0")
    maps = folder / "maps"
    maps.mkdir()
    for one in (demo_site_path().parent / "maps").iterdir():
        (maps / one.name).write_bytes(one.read_bytes())
    file = folder / "site.toml"
    file.write_text(text)
    return file, read_site(file)


QUESTION = re.compile(
    r"(?P<measure>\[\d+/\d+\] (?:Combined feedback|.*?: apply |.*?: take the tubes off))"
    r"|(?P<decide>Enter: no adjustment made)|(?P<conclude>for the record: finish)"
    r"|(?P<paused>Enter goes on)|(?P<over>hash [0-9a-f]{64})"
)
"""What the terminal waits for."""


class Program:
    """A command that runs, and everything it has said."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process, self.said, self.heard = process, "", 0
        self.silent = False

    async def listen(self) -> None:
        """Take in what it says, so that it never waits for its reader."""
        assert self.process.stdout
        while some := await self.process.stdout.read(4096):
            self.said += some.decode()
        self.silent = True

    async def enter(self) -> None:
        """Press Enter."""
        assert self.process.stdin
        self.process.stdin.write(b"\n")
        await self.process.stdin.drain()

    async def hears(self, what: re.Pattern[str]) -> str:
        """Wait until it says something of this, after what was heard before; the group's name.

        An end without it fails at once, with everything that it said.
        """
        start = time.monotonic()
        while True:
            ended = self.silent  # looked at first: what it said last may still be on its way
            if found := what.search(self.said, self.heard):
                self.heard = found.end()
                return found.lastgroup or ""
            over = ended or time.monotonic() - start > PATIENCE_S
            code = self.process.returncode
            assert not over, f"not said: {what.pattern}; exit code {code}; it said:\n{self.said}"
            await asyncio.sleep(0.02)


@asynccontextmanager
async def program(folder: Path, *words: object, **settings: str) -> AsyncIterator[Program]:
    """The command with swift readings; ended by force if the test leaves it running."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, str(SWIFT), *map(str, words),
        cwd=folder, env=environment(folder, **settings),
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )  # fmt: skip
    there = Program(process)
    listening = asyncio.create_task(there.listen(), name="listen")
    try:
        yield there
    finally:
        if process.returncode is None:
            tell(process, signal.SIGKILL)
        await process.wait()
        await listening


async def open_check(port: int) -> Any:
    """The check that is open."""
    address = f"http://127.0.0.1:{port}/api/v1/checks"
    async with httpx.AsyncClient(timeout=PATIENCE_S) as client:
        (found,) = (await client.get(address)).json()["open"]
    return found


async def apply(switches: httpx.AsyncClient, pressures: dict[str, float]) -> None:
    """Turn the calibrators, and wait until the plant has taken it in."""
    for key, pressure in pressures.items():
        wanted = {"kind": "calibrator", "subject": key, "size": pressure, "on": True}
        (await switches.post("/faults", json=wanted)).raise_for_status()
    await asyncio.sleep(0.6)


async def go_on(
    terminal: Program, port: int, switches: httpx.AsyncClient, until: str = "over"
) -> None:
    """Do what the terminal asks for, to its end, or up to that question."""
    asked = 0
    while (kind := await terminal.hears(QUESTION)) != until:
        asked += 1
        if until == str(asked):
            return
        if kind == "measure":
            await apply(switches, (await open_check(port))["apply"])
        await terminal.enter()


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


def tamper(folder: Path) -> None:
    """Make a fail of the record a pass, as somebody with the file might."""
    connection = sqlite3.connect(folder / "state" / "history.sqlite3", timeout=60)
    with connection:
        text = 'replace(body, \'"verdict":"fail"\', \'"verdict":"pass"\')'
        connection.execute(f"UPDATE check_records SET body = {text}")  # noqa: S608 - as it stands
    connection.close()


@pytest.mark.timeout(900)
async def test_a_check_by_hand_outlives_its_gateway(tmp_path: Path) -> None:
    file, site = site_file(tmp_path)
    (port,) = free_ports(1)
    own = {"LOOPWITNESS_HTTP_PORT": str(port)}
    run = partial(program, tmp_path, "run", file, **own)
    async with plant(site) as switches:
        wrong = {"kind": "live-zero-mismatch", "subject": "dp-202", "on": True}
        (await switches.post("/faults", json=wrong)).raise_for_status()
        async with run() as first, program(tmp_path, "loopcheck", "stair-b", *WORDS, **own) as hand:
            await go_on(hand, port, switches, "4")
            before = readings(tmp_path)
            tell(first.process, signal.SIGKILL)
            await first.process.wait()
            async with run() as second:
                await second.hears(re.compile("is up"))
                await hand.enter()
                await go_on(hand, port, switches)
                assert await asyncio.wait_for(hand.process.wait(), PATIENCE_S) == 0
                listed = await command(tmp_path, "record", "--json", **own)
                data = await command(tmp_path, "record", "1", "--json", **own)
                pdf = await command(tmp_path, "record", "1", "--pdf", "one.pdf", **own)
                tamper(tmp_path)
                changed = await command(tmp_path, "record", **own)
                told = await command(tmp_path, "record", "1", **own)
    assert "Enter goes on" in hand.said
    assert len(before) == 2
    assert readings(tmp_path)[:2] == before, "nothing that was recorded is lost"
    assert len(readings(tmp_path)) == 7, "and nothing had to be read twice"
    assert "4-20 mA taken for 0-20 mA" in hand.said
    assert "Record 1: FAIL (as found: fail)" in hand.said
    assert listed.json()["broken"] == []
    assert [one["verdict"] for one in listed.json()["records"]] == ["fail"]
    record = data.json()
    assert [(m["fault"], m["subject"]) for m in record["mistakes"]] == [
        ("live-zero-mismatch", "dp-202")
    ]
    assert record["reference"]["identity"] == "Calibrator 7"
    assert pdf.code == 0
    assert (tmp_path / "one.pdf").read_bytes().startswith(b"%PDF-1.7")
    assert "! record 1: changed after it was made" in changed.out
    assert "! record 1: changed after it was made: it is no proof" in told.out
