"""The command as a person meets it."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from io import StringIO
from pathlib import Path

import pytest
from rich.console import Console

from gateway.errors import LoopwitnessError
from gateway.replay.order import Order, run_replay
from tests.replay.scans import (
    HOUR,
    archive,
    direct,
    history,
    refs,
    rows,
    write_csv,
    write_history,
)

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]


async def replay(folder: Path, *words: object) -> tuple[int, str, str]:
    """Exit code, standard output, standard error."""
    env = {k: v for k, v in os.environ.items() if not k.startswith("LOOPWITNESS_")}
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "gateway", "replay", *map(str, words),
        cwd=folder, env=env | {"PYTHONPATH": str(ROOT)}, stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    out, err = await asyncio.wait_for(process.communicate(), 60)
    assert process.returncode is not None
    return process.returncode, out.decode(), err.decode()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site file, its scans as CSV, and a state folder with the same history."""
    made = tmp_path_factory.mktemp("replay")
    text = (ROOT / "config" / "harbour-archive.toml").read_text(encoding="utf-8")
    for key in ("sf-2", "ahu-1", "ef-4"):
        head, name, tail = text.partition(f"[controllers.{key}]")
        slow = archive().controllers[key].interval_s
        text = head + name + tail.replace("interval_s = 1.0", f"interval_s = {slow}", 1)
    (made / "site.toml").write_text(text, encoding="utf-8")
    (made / "maps").symlink_to(ROOT / "config" / "maps")
    write_csv(made / "scans.csv.gz", ["time", *refs(archive())], rows(history()))
    write_history(made / "state", archive(), history())
    return made


@pytest.mark.slow
async def test_findings_on_standard_output_and_a_summary_beside(folder: Path) -> None:
    code, out, err = await replay(folder, "site.toml", "scans.csv.gz")
    assert code == 0, err
    assert tuple(out.splitlines()) == direct()
    first = json.loads(out.splitlines()[0])
    assert list(first)[:8] == [
        "time", "phase", "fault", "loop", "transducer", "status", "confidence", "evidence",
    ]  # fmt: skip
    assert f"{len(history())} rows, 2026-06-01T00:00:00.000Z to 2026-06-01T03:59:50.000Z" in err
    assert "open-circuit" in err
    assert "still stands" in err


@pytest.mark.slow
async def test_own_history_into_a_file_with_a_page(folder: Path) -> None:
    code, out, err = await replay(
        folder, "site.toml", "--history", "state", "--out", "found.jsonl", "--plot", "plot.html"
    )
    assert (code, out) == (0, ""), err
    assert tuple((folder / "found.jsonl").read_text(encoding="utf-8").splitlines()) == direct()
    assert (folder / "plot.html").read_text(encoding="utf-8").startswith("<!doctype html>")


@pytest.mark.slow
async def test_what_cannot_be_done_is_said_in_words(folder: Path) -> None:
    code, out, err = await replay(folder, "site.toml", "none.csv")
    assert (code, out) == (1, "")
    assert err.startswith("loopwitness: none.csv: 1 fault(s)\n  file: No such file or directory")


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ({}, 2, "SCANS and --history: neither given; allowed: one of them"),
        ({"scans": "scans.csv.gz", "history": "state"}, 2, "both given"),
        ({"start": "June"}, 2, "--from June; allowed: ISO 8601 or seconds"),
        ({"end": "-5"}, 2, "--to -5; allowed: ISO 8601 or seconds"),
        ({"start": "9", "end": "9"}, 2, "--from 9 --to 9; allowed: from before to"),
        ({"history": "."}, 3, "history.sqlite3: not there; allowed: a folder in which a gateway"),
        ({"plot": "plot.png"}, 3, "allowed: a file that ends in .html"),
        ({"out": "none/found"}, 3, "allowed: a file that can be written"),
    ],
)
def test_orders_that_cannot_be(folder: Path, words: dict[str, str], code: int, said: str) -> None:
    paths = {k: folder / v for k, v in words.items() if k not in ("start", "end")}
    if words and not {"scans", "history"} & set(words):
        paths["scans"] = folder / "scans.csv.gz"
    order = Order(
        paths.get("scans"), paths.get("history"), words.get("start"), words.get("end"),
        paths.get("out"), paths.get("plot"),
    )  # fmt: skip
    with pytest.raises(LoopwitnessError) as caught:
        run_replay(archive(), order, Console(quiet=True))
    assert caught.value.exit_code == code
    assert said in str(caught.value)


def test_progress_on_a_terminal(folder: Path) -> None:
    screen = StringIO()
    console = Console(file=screen, force_terminal=True, width=100)
    order = Order(folder / "scans.csv.gz", end="2026-06-01T01:00:00", out=folder / "found")
    summary = run_replay(archive(), order, console)
    assert summary.rows == HOUR
    assert "Replaying" in screen.getvalue()
