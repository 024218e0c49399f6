"""`loopwitness run` and `demo`: they come up, say where, and end in order."""

from __future__ import annotations

import asyncio
import json
import re
import signal
import socket
import sqlite3
from pathlib import Path
from urllib.request import urlopen

import pytest

from tests.cli.commands import Ended, command, ended, started, tell
from tests.plant.folders import SiteFolder
from tests.poll.peers import RawPeer

pytestmark = pytest.mark.slow

SITE = """
[site]
id = "mill-lane"
[controllers.plc]
host = "127.0.0.1"
port = {port}
[controllers.plc.points]
ai1 = {{ table = "input", address = 5 }}
[transducers.dp-1]
counts = "plc.ai1"
signal = "4-20 mA"
input = {{ counts = [0, 2000], electrical = [0, 20], unit = "mA" }}
range = [-25, 100]
unit = "Pa"
"""
LOOP = """
[loops.shaft]
transducers = ["dp-1"]
combine = "single"
"""


async def address_of(process: asyncio.subprocess.Process) -> str:
    """The page's address, as the command prints it."""
    assert process.stdout
    line = await asyncio.wait_for(process.stdout.readline(), 120)
    found = re.fullmatch(r"Loopwitness is up: (http://\S+) \(Ctrl-C stops it\)\n", line.decode())
    assert found, line
    return found[1]


def get(address: str) -> int:
    with urlopen(address, timeout=60) as answer:  # noqa: S310 (our own, on loopback)
        return int(answer.status)


def log_lines(seen: Ended) -> list[dict[str, object]]:
    """No terminal: every line of standard error is a JSON object with a time in UTC."""
    lines = [json.loads(line) for line in seen.err.splitlines()]
    assert all(str(line["timestamp"]).endswith("Z") for line in lines)
    return lines


@pytest.mark.parametrize(
    ("ending", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 0)], ids=["ctrl-c", "sigterm"]
)
async def test_run_comes_up_and_ends_in_order(
    tmp_path: Path, ending: signal.Signals, code: int
) -> None:
    async with RawPeer() as peer:
        (tmp_path / "site.toml").write_text(SITE.format(port=peer.port) + LOOP)
        async with started(tmp_path, "run", "site.toml") as process:
            address = await address_of(process)
            assert await asyncio.to_thread(get, address) == 200
            await asyncio.sleep(2.5)
            tell(process, ending)
            seen = await ended(process)
    assert seen.code == code
    told = [line["message"] for line in log_lines(seen)]
    assert told[-1] == "stopped"
    (store,) = (tmp_path / "state").glob("*.sqlite*")
    with sqlite3.connect(store) as kept:
        names = {name for (name,) in kept.execute("SELECT name FROM sqlite_master")}
    assert names, "the history is there"


async def test_a_site_without_loops_stops_by_itself_after_a_time(
    tmp_path: Path, free_port: int
) -> None:
    (tmp_path / "site.toml").write_text(SITE.format(port=free_port))
    seen = await command(tmp_path, "run", "site.toml", "--for", 2)
    assert seen.code == 0, seen.err
    assert "controller lost" in [line["message"] for line in log_lines(seen)]


@pytest.mark.alone
async def test_the_demo_comes_up_with_its_plant(tmp_path: Path) -> None:
    async with started(tmp_path, "demo", "--port", 0, "--for", 8) as process:
        address = await address_of(process)
        assert await asyncio.to_thread(get, address) == 200
        seen = await ended(process)
    assert seen.code == 0, seen.err
    lines = log_lines(seen)
    assert any(str(line.get("page", "")).startswith("http://127.0.0.1:") for line in lines)
    assert sum(line["message"] == "controller answers" for line in lines) == 3
    assert (tmp_path / "state" / "demo").is_dir(), "its history is apart"


@pytest.mark.parametrize("demo", [False, True], ids=["run", "demo"])
async def test_a_port_in_use_is_one_line(tmp_path: Path, free_port: int, *, demo: bool) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        (tmp_path / "site.toml").write_text(SITE.format(port=free_port))
        if demo:
            seen = await command(tmp_path, "demo", "--port", port)
        else:
            seen = await command(tmp_path, "run", "site.toml", LOOPWITNESS_HTTP_PORT=str(port))
    assert seen.code == 3
    (said,) = [line for line in seen.err.splitlines() if not line.startswith("{")]
    assert said.startswith("loopwitness: ")
    assert re.search(r"port \d+|:\d+", said)
    assert demo or str(port) in said
    assert seen.out == ""


async def test_a_bacnet_port_in_use_is_one_line(tmp_path: Path, free_port: int) -> None:
    (tmp_path / "site.toml").write_text(SITE.format(port=free_port))
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        seen = await command(
            tmp_path, "run", "site.toml",
            LOOPWITNESS_BACNET_ENABLED="true", LOOPWITNESS_BACNET_PORT=str(port),
        )  # fmt: skip
    assert seen.code == 3
    (said,) = [line for line in seen.err.splitlines() if not line.startswith("{")]
    assert said == (
        f"loopwitness: BACnet: UDP port {port} on 127.0.0.1 is in use by another program; set "
        "LOOPWITNESS_BACNET_ADDRESS and LOOPWITNESS_BACNET_PORT"
    )


async def test_every_wrong_setting_is_told(tmp_path: Path) -> None:
    SiteFolder(tmp_path)
    seen = await command(
        tmp_path, "run", "site.toml",
        LOOPWITNESS_HTTP_PORT="eighty", LOOPWITNESS_LOG_FORMAT="xml", LOOPWITNESS_KEEP_DAYS="0",
    )  # fmt: skip
    assert seen.code == 3
    assert seen.err.splitlines() == [
        "loopwitness: 3 wrong setting(s)",
        '  LOOPWITNESS_HTTP_PORT: "eighty"; allowed: a whole number from 0 to 65535',
        "  LOOPWITNESS_LOG_FORMAT: \"xml\"; allowed: 'auto', 'text' or 'json'",
        '  LOOPWITNESS_KEEP_DAYS: "0"; allowed: a number above 0, up to 36525',
    ]


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("LOOPWITNESS_SECRETS_DIR", "nowhere", 'LOOPWITNESS_SECRETS_DIR: "nowhere"; allowed'),
        ("LOOPWITNESS_STATE_DIR", "/proc/nowhere", "/proc/nowhere"),
    ],
)
async def test_a_folder_that_is_not_to_be_had(
    tmp_path: Path, free_port: int, name: str, value: str, said: str
) -> None:
    (tmp_path / "site.toml").write_text(SITE.format(port=free_port))
    seen = await command(tmp_path, "run", "site.toml", **{name: value})
    assert seen.code == 3
    assert said in seen.err
    assert "Traceback" not in seen.err


async def test_a_site_with_faults_does_not_start(tmp_path: Path) -> None:
    folder = SiteFolder(tmp_path)
    folder.change(("port = 15020", 'port = "15020"'))
    seen = await command(tmp_path, "run", "site.toml")
    assert seen.code == 1
    assert "controllers.sf-2.port" in seen.err
