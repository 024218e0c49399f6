"""The command as a person meets it: what it writes, how it refuses, how much memory it takes."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from gateway.plant.sitefile import read_site
from gateway.record.opening import FILE
from tests.cli.commands import ROOT, command, ended, environment, started
from tests.export.bulk import bulk
from tests.export.kept import START, cells

pytestmark = pytest.mark.slow

SITE = ROOT / "config" / "harbour-archive.toml"
COUNT = 150_000
"""Nearly two days; as CSV over 80 MB."""
GROWTH_MB = {"csv": 30, "parquet": 60}
"""A slice of rows as text, or a row group."""


@pytest.fixture(scope="module")
def state(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("long")
    bulk(folder, read_site(SITE), COUNT)
    return folder


async def test_a_file_of_each_kind(state: Path, tmp_path: Path) -> None:
    span = ("--from", START, "--to", "2026-05-28T20:30:30Z")
    loop = ("--loop", "stair-b", "--state", state)
    done = await command(tmp_path, "export", SITE, "out.csv.gz", *span, *loop)
    assert (done.code, done.out) == (0, "")
    assert done.err.startswith("out.csv.gz: 30 rows of 22 columns, 2026-05-28T20:30:00.000Z to ")
    assert len(cells(tmp_path / "out.csv.gz")) == 30
    assert json.loads((tmp_path / "out.csv.gz-metadata.json").read_text())["url"] == "out.csv.gz"
    done = await command(tmp_path, "export", SITE, "out.parquet", "--json", *span, *loop)
    assert done.json() == {
        "file": "out.parquet", "metadata": None, "rows": 30, "columns": 22,
        "first": "2026-05-28T20:30:00.000Z", "last": "2026-05-28T20:30:29.000Z",
        "unnamed": [],
    }  # fmt: skip
    done = await command(tmp_path, "export", SITE, "-", "--rows", "hours", *span, *loop)
    assert done.out.startswith("time,dp-201 count,")
    assert sorted(sizes(tmp_path)) == ["out.csv.gz", "out.csv.gz-metadata.json", "out.parquet"]


async def test_scans_on_standard_output_replay(state: Path, tmp_path: Path) -> None:
    done = await command(tmp_path, "export", SITE, "-", "--rows", "scans", "--state", state,
                         "--to", START + 600)  # fmt: skip
    (tmp_path / "scans.csv").write_text(done.out)
    again = await command(tmp_path, "replay", SITE, "scans.csv")
    straight = await command(tmp_path, "replay", SITE, "--history", state, "--to", START + 600)
    assert again.code == straight.code == 0
    assert again.out == straight.out != ""


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("out.xlsx",), 2, 'FILE: "out.xlsx"; allowed: a name that ends in .csv, .csv.gz or'),
        (("o.csv", "--rows", "days"), 2, '--rows: "days"; allowed: readings, scans'),
        (("o.csv", "--loop", "stair-c"), 2,
         '--loop: "stair-c"; allowed: a loop of the site (did you mean "stair-b"?)'),
        (("o.csv", "--transducer", "dp-999"), 2, '--transducer: "dp-999"; allowed: a transducer'),
        (("o.csv", "--from", "yesterday"), 2, '--from: "yesterday"; allowed: ISO 8601 or seconds'),
        (("o.csv", "--from", "2026-06-02", "--to", "2026-06-01"), 2,
         "--from: 2026-06-02 with --to 2026-06-01; allowed: a time before the other"),
        (("no/such/folder/o.csv",), 3, "no/such/folder/o.csv: No such file or directory"),
        (("o.csv", "--state", "nowhere"), 3, f"nowhere/{FILE}: not there; allowed: a folder"),
    ],
)  # fmt: skip
async def test_what_cannot_be_is_one_line(
    state: Path, tmp_path: Path, words: tuple[str, ...], code: int, said: str
) -> None:
    there = () if "--state" in words else ("--state", str(state))
    done = await command(tmp_path, "export", SITE, *words, *there)
    assert (done.code, done.out) == (code, "")
    assert done.err.startswith(f"loopwitness: {said}")
    assert len(done.err.splitlines()) == 1
    assert sizes(tmp_path) == {}, "nothing half done is left"


async def test_stopped_half_way_leaves_nothing(state: Path, tmp_path: Path) -> None:
    async with started(tmp_path, "export", SITE, "out.csv", "--state", state) as process:
        for _ in range(400):
            if sizes(tmp_path).get("out.csv.part"):
                break
            await asyncio.sleep(0.05)
        process.send_signal(signal.SIGINT)
        done = await ended(process)
    assert done.code == 130
    assert sizes(tmp_path) == {}


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_a_long_span_takes_no_more_memory_than_a_short_one(
    state: Path, tmp_path: Path, ending: str
) -> None:
    little = peak_mb(tmp_path, state, f"little.{ending}", 2000)
    much = peak_mb(tmp_path, state, f"much.{ending}", COUNT)
    assert much < little + GROWTH_MB[ending], (little, much)
    if ending == "csv":
        assert (tmp_path / "much.csv").stat().st_size > 80e6


def sizes(folder: Path) -> dict[str, int]:
    """Every file of a folder."""
    return {file.name: file.stat().st_size for file in folder.iterdir()}


def peak_mb(folder: Path, state: Path, name: str, seconds: int) -> float:
    """Highest resident memory of the command."""
    process = subprocess.Popen(
        [sys.executable, "-m", "gateway", "export", str(SITE), name, "--state", str(state),
         "--to", str(START + seconds)],
        cwd=folder, env=environment(folder), stderr=subprocess.DEVNULL,
    )  # fmt: skip
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return usage.ru_maxrss / 1024
