"""`loopwitness check`: messages and exit codes, as a person or a script meets them."""

from __future__ import annotations

import asyncio
import struct
from pathlib import Path

import numpy as np
import pytest

from gateway import look
from gateway.live import LinkState
from gateway.poll.scan import Scan
from gateway.poll.words import decode, encode
from tests.cli.commands import ROOT, command
from tests.plant.folders import SiteFolder
from tests.poll.peers import RawPeer, answer
from tests.sites import site, transducer

pytestmark = pytest.mark.slow

EXAMPLE = ROOT / "config" / "harbour-archive.toml"


@pytest.fixture
def folder(tmp_path: Path) -> SiteFolder:
    return SiteFolder(tmp_path)


async def test_a_valid_site_in_short(tmp_path: Path) -> None:
    ended = await command(tmp_path, "check", EXAMPLE)
    assert (ended.code, ended.err) == (0, "")
    for words in (
        "no faults", "Harbour Street Archive", "sf-2", "127.0.0.1:15020", "-25 to 100",
        "4-20 mA", "average of dp-201, dp-202", "sf-2.feedback",
    ):  # fmt: skip
        assert words in ended.out


async def test_a_valid_site_as_json(tmp_path: Path) -> None:
    ended = await command(tmp_path, "check", EXAMPLE, "--json")
    data = ended.json()
    assert ended.code == 0
    assert data["ok"] is True
    assert data["site"] == "harbour-archive"
    assert all(controller["requests"] for controller in data["controllers"])
    assert {t["id"] for t in data["transducers"]} > {"dp-201", "dp-202"}


async def test_uncertainty_and_what_is_hidden_in_short(tmp_path: Path) -> None:
    ended = await command(tmp_path, "check", EXAMPLE)
    assert (ended.code, ended.err) == (0, "")
    lines = [line.split() for line in ended.out.splitlines()]
    # 1 % of 125 Pa as a rectangle: 1.25 / 1.732 = 0.72; 0.32 % for temperature: 0.23.
    parts = next(" ".join(line) for line in lines if line[:1] == ["dp-201"] and "accuracy," in line)
    assert "0.72 accuracy, 0.23 thermal," in parts
    told = [line for line in lines if line[:3] in (["dp-201", "1", "8"], ["dp-301", "4", "4"])]
    assert [" ".join(line[3:]) for line in told] == [
        "reversed-polarity",
        "reversed-polarity, device-failure-signal, ports-swapped, under-range",
    ]
    assert "believable" not in ended.out


async def test_every_hidden_fault_with_its_reason(tmp_path: Path) -> None:
    ended = await command(tmp_path, "check", EXAMPLE, "--hidden")
    assert (ended.code, ended.err) == (0, "")
    for words in (
        "a dead wire reads a believable 0 inH2O",
        "failing high begins at 21 mA, the input ends at 20 mA",
        "two inputs exchanged leave the minimum as it is",
        "cannot arise",
    ):
        assert words in ended.out
    data = (await command(tmp_path, "check", EXAMPLE, "--json")).json()
    by_id = {subject["id"]: subject for subject in data["transducers"] + data["loops"]}
    failing = next(h for h in by_id["dp-202"]["hidden"] if h["fault"] == "device-failure-signal")
    assert failing["extent"] == "partly"
    assert [h["fault"] for h in by_id["stair-b"]["hidden"]] == ["combination-mismatch", "hunting"]
    u = by_id["dp-401"]["uncertainty"]
    assert u["coverage"] == 2
    assert u["expanded"] == pytest.approx(2 * u["standard"], rel=1e-5)
    assert u["unit"] == "Pa"
    # 0.5 % of 500 Pa as a rectangle.
    assert u["accuracy"] == pytest.approx(2.5 / 3**0.5, rel=1e-5)


async def test_every_fault_is_told_and_the_exit_code_is_1(folder: SiteFolder) -> None:
    folder.change(("port = 15020", "prt = 15020"), ("[-25, 100]", "[100, -25]"))
    ended = await command(folder.site.parent, "check", "site.toml")
    assert ended.code == 1
    assert ended.out == ""
    assert ended.err.splitlines() == [
        "loopwitness: site.toml: 2 fault(s)",
        '  controllers.sf-2.prt: 15020; allowed: a key known here (did you mean "port"?)',
        (
            "  transducers.dp-201.range: [100, -25]; "
            "allowed: lower range value below upper range value"
        ),
    ]


async def test_faults_as_json(folder: SiteFolder) -> None:
    folder.change(("port = 15020", "prt = 15020"))
    ended = await command(folder.site.parent, "check", "site.toml", "--json")
    assert ended.code == 1
    assert ended.json() == {
        "file": "site.toml",
        "ok": False,
        "faults": [
            {
                "path": "controllers.sf-2.prt",
                "value": "15020",
                "allowed": 'a key known here (did you mean "port"?)',
            }
        ],
    }


@pytest.mark.parametrize(
    ("args", "code", "said"),
    [
        (["check", "nowhere.toml"], 1, "nowhere.toml: No such file or directory"),
        (["check"], 2, "Missing argument 'SITE'"),
        (["chek", "x"], 2, "No such command 'chek'"),
        (["check", "x", "--livve"], 2, "No such option"),
    ],
)
async def test_what_cannot_be_done(tmp_path: Path, args: list[str], code: int, said: str) -> None:
    ended = await command(tmp_path, *args)
    assert ended.code == code
    assert said in ended.err
    assert "Traceback" not in ended.err


async def test_help_tells_of_every_command(tmp_path: Path) -> None:
    ended = await command(tmp_path, "--help")
    assert ended.code == 0
    for name in ("check", "run", "demo", "registers"):
        assert f"  {name} " in ended.out


async def behave(request: bytes, writer: asyncio.StreamWriter) -> None:
    """Input register 5 holds 16000 counts; the float32 at input register 20 holds 43.0."""
    first, count = struct.unpack(">HH", request[8:12])
    high, low = struct.unpack(">HH", struct.pack(">f", 43.0))
    held = {5: 16000, 20: high, 21: low}
    writer.write(answer(request, [held.get(first + i, 0) for i in range(count)]))


LIVE = """
[site]
id = "mill-lane"
[controllers.plc]
host = "127.0.0.1"
port = {port}
timeout_s = 60
[controllers.plc.points]
ai1 = {{ table = "input", address = 5 }}
ai1_value = {{ table = "input", address = 20, type = "float32", unit = "Pa" }}
[controllers.gone]
host = "127.0.0.1"
port = {dead}
[controllers.gone.points]
ai1 = {{ table = "input", address = 5 }}
[transducers.dp-1]
counts = "plc.ai1"
controller_value = "plc.ai1_value"
signal = "4-20 mA"
input = {{ counts = [0, 32000], electrical = [0, 20], unit = "mA" }}
range = [-25, 100]
unit = "Pa"
[transducers.dp-2]
counts = "gone.ai1"
signal = "0-10 V"
input = {{ counts = [0, 4095], electrical = [0, 10], unit = "V" }}
range = [0, 500]
unit = "Pa"
"""


async def test_one_live_reading_side_by_side(tmp_path: Path, free_port: int) -> None:
    async with RawPeer(behave) as peer:
        (tmp_path / "site.toml").write_text(LIVE.format(port=peer.port, dead=free_port))
        ended = await command(tmp_path, "check", "site.toml", "--live", "--json")
    assert ended.code == 4, "one controller does not answer"
    assert "gone: no connection to 127.0.0.1" in ended.err
    live = ended.json()["live"]
    assert [c["answered"] for c in live["controllers"]] == [True, False]
    good, bad = live["transducers"]
    # By hand: 16000 of 32000 counts on 0-20 mA is 10 mA, 6/16 of span; -25 + 0.375 x 125 Pa.
    assert good["counts"] == 16000
    assert good["electrical"] == pytest.approx(10.0)
    assert good["value"] == pytest.approx(21.875)
    assert good["controller_value"] == pytest.approx(43.0)
    assert good["difference"] == pytest.approx(21.875 - 43.0, abs=0.01)
    assert good["quality"] == "good"
    assert bad["value"] is None
    assert (bad["quality"], bad["reason"]) == ("bad", "the controller does not answer")
    assert {request[7] for request in peer.requests} == {4}, "function code 4 only"


async def test_a_live_reading_for_people(tmp_path: Path, free_port: int) -> None:
    async with RawPeer(behave) as peer:
        (tmp_path / "site.toml").write_text(LIVE.format(port=peer.port, dead=free_port))
        ended = await command(tmp_path, "check", "site.toml", "--live")
    assert ended.code == 4
    line = next(line for line in ended.out.splitlines() if line.split()[:2] == ["dp-1", "16000"])
    assert line.split() == ["dp-1", "16000", "10", "mA", "21.875", "43", "-21.1", "Pa", "good"]
    assert (
        "dp-1: the controller's own value is 43 Pa, ours 21.88 Pa. Compare the range" in ended.out
    )


@pytest.mark.parametrize(
    ("order", "said"),
    [
        ({"word_order": "low-first"}, 'word_order = "high-first" for a.own'),
        (
            {"byte_order": "low-first"},
            'word_order = "high-first" and byte_order = "high-first" for a.own',
        ),
        ({}, ""),
    ],
)
def test_a_wrong_order_of_words_is_named(order: dict[str, str], said: str) -> None:
    """The controller shows 37.5 Pa in the usual order; the map reads it in another."""
    right = {"table": "holding", "address": 0, "type": "float32", "unit": "Pa"}
    points = {"c1": {"table": "input", "address": 0}, "own": right | order}
    here = site(
        {"p1": transducer("a.c1", controller_value="a.own")},
        {},
        {"a": {"host": "127.0.0.1", "points": points}},
    )
    own = here.point("a.own")
    usual = own.model_copy(update={"word_order": "high-first", "byte_order": "high-first"})
    values = np.array([15000.0, decode(own, encode(usual, 37.5))])
    scan = Scan("a", 0.0, values, np.zeros(2, np.uint8), LinkState("a"))
    hints = look.compare(here, [scan])["hints"]
    assert [said in hint for hint in hints] == ([True] if said else [])
