"""Backup of a history that is being written, and restoring it."""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections import namedtuple
from contextlib import closing
from pathlib import Path

import pytest

from gateway.errors import StoreError
from gateway.record import backup, journal, schema
from gateway.record.backup import back_up, restore
from gateway.record.opening import DAMAGED, FILE, reader
from gateway.record.store import open_store
from tests.record.made import START, finding, plant, rows

ROOT = Path(__file__).parents[2]


def kept(folder: Path, count: int = 50, *, start: float = START) -> Path:
    """A state folder with rows and a finding; the history file."""
    with open_store(folder, plant()) as store:
        store.write([rows(plant(), count, start=start)], [finding()])
        store.do(journal.identity)
    return folder / FILE


def content(file: Path) -> list[object]:
    with closing(sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True)) as connection:
        tables = "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
        names = [n for (n,) in connection.execute(tables) if not n.startswith("sqlite_")]
        return [connection.execute(f"SELECT * FROM {n} ORDER BY 1").fetchall() for n in names]  # noqa: S608 - own tables


def test_a_copy_is_one_whole_file(tmp_path: Path) -> None:
    file = kept(tmp_path / "state")
    (tmp_path / "safe").mkdir()
    shares: list[float] = []
    done = back_up(file, tmp_path / "safe", shares.append)
    assert done.file.parent == tmp_path / "safe"
    assert done.file.name.startswith("history-2")
    assert done.upto == START + 49
    assert shares[-1] == 1.0
    assert [f.name for f in (tmp_path / "safe").iterdir()] == [done.file.name]
    assert content(done.file) == content(file)
    done.file.chmod(0o400)
    (tmp_path / "safe").chmod(0o500)
    assert len(content(done.file)) > 5, "reads without a file beside it"


@pytest.mark.server
def test_while_the_recorder_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Commits every 100 ms from another process; the copy neither begins anew nor mixes states."""
    monkeypatch.setattr(backup, "PAGES", 1)
    state = tmp_path / "state"
    child = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("recording_child.py")), str(state)],
        stdout=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    try:
        made: list[int] = []
        while not made or made[-1] < 100:
            time.sleep(0.05)
            if (state / FILE).exists() and child.poll() is None:
                made.append(latest(state / FILE))
        shares: list[float] = []

        def slowly(share: float) -> None:
            if not shares:  # on a busy machine the recorder may rest for longer than a copy takes
                committed_since(state / FILE, latest(state / FILE))
            shares.append(share)
            time.sleep(0.02)

        begun = time.time()
        done = back_up(state / FILE, tmp_path / "copy.sqlite3", slowly)
        took, after = time.time() - begun, latest(state / FILE)
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()
    assert took > 0.5, "several commits long"
    assert shares == sorted(shares)
    with open_store_of(done.file, tmp_path / "other") as connection:
        times = connection.execute("SELECT time FROM scans ORDER BY time_ms").fetchall()
        means = connection.execute("SELECT count(*) FROM readings").fetchone()
        raised = connection.execute("SELECT count(*) FROM journal").fetchone()
    numbers = [round(t - START) for (t,) in times]
    assert numbers == list(range(len(numbers))), "no hole"
    assert made[-1] <= numbers[-1] < after, "of the instant at which it began"
    assert means == (len(numbers),)
    assert raised == (len([n for n in numbers if n % 5 == 0]),), "a finding with its row"


def committed_since(file: Path, number: int) -> None:
    """Wait until a newer row is there."""
    end = time.monotonic() + 60
    while latest(file) <= number:
        assert time.monotonic() < end, "no commit for a minute"
        time.sleep(0.02)


def latest(file: Path) -> int:
    """Number of the newest row, -1 before the first."""
    try:
        with reader(file) as connection:
            (newest,) = connection.execute("SELECT max(time) FROM scans").fetchone()
    except sqlite3.OperationalError:
        return -1
    return -1 if newest is None else round(newest - START)


def open_store_of(copy: Path, folder: Path) -> closing[sqlite3.Connection]:
    """A gateway takes up where the copy ends."""
    restore(folder, copy)
    with open_store(folder, plant()) as store:
        assert store.do(journal.open_findings)
    return closing(sqlite3.connect(folder / FILE))


def test_restoring_keeps_what_it_replaces(tmp_path: Path) -> None:
    state = tmp_path / "state"
    copy = back_up(kept(state), tmp_path / "copy.sqlite3").file
    with open_store(state, plant()) as store:
        store.write([rows(plant(), 10, start=START + 100)])
        name = store.do(journal.identity)
    (state / DAMAGED).touch()
    now = content(state / FILE)
    done, aside = restore(state, copy)
    assert done.upto == START + 49
    assert content(state / aside) == now
    assert not (state / DAMAGED).exists(), "it was about the other file"
    with open_store(state, plant()) as store:
        with reader(state / FILE) as connection:
            assert connection.execute("SELECT count(*) FROM scans").fetchone() == (50,)
        assert store.do(journal.identity) != name, "its numbers may have been given already"
    assert sorted(f.name for f in state.iterdir() if f.suffix == ".sqlite3") == [aside, FILE]


def test_into_a_folder_that_is_not_there(tmp_path: Path) -> None:
    copy = back_up(kept(tmp_path / "state"), tmp_path / "copy.sqlite3").file
    _, aside = restore(tmp_path / "new", copy)
    assert aside == ""
    assert len(content(tmp_path / "new" / FILE)) == len(content(copy))


def test_not_while_a_gateway_runs(tmp_path: Path) -> None:
    copy = back_up(kept(tmp_path / "state"), tmp_path / "copy.sqlite3").file
    with (
        open_store(tmp_path / "state", plant()),
        pytest.raises(StoreError, match="a gateway runs on this folder; allowed: restoring while"),
    ):
        restore(tmp_path / "state", copy)


def spoiled(copy: Path, how: str) -> None:
    with closing(sqlite3.connect(copy)) as connection:
        if how == "newer":
            connection.execute(f"PRAGMA user_version = {len(schema.MIGRATIONS) + 1}")
        elif how == "foreign":
            connection.execute("PRAGMA application_id = 7")
    if how == "text":
        copy.write_text("not a database at all, but long enough to be looked at" * 20)
    elif how == "torn":
        whole = copy.read_bytes()
        copy.write_bytes(whole[: len(whole) // 2])


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ("newer", "written by a newer version of this program; allowed: up to"),
        ("foreign", "no history of this program; allowed: a file that it wrote"),
        ("text", "file is not a database; allowed: a file of this program that is whole"),
        ("torn", "copy.sqlite3: (damaged|database disk image is malformed)"),
    ],
)
def test_a_backup_that_is_none_replaces_nothing(tmp_path: Path, how: str, said: str) -> None:
    state = tmp_path / "state"
    copy = back_up(kept(state), tmp_path / "copy.sqlite3").file
    before, files = content(state / FILE), sorted(f.name for f in state.iterdir())
    spoiled(copy, how)
    with pytest.raises(StoreError, match=said):
        restore(state, copy)
    assert content(state / FILE) == before
    assert sorted(f.name for f in state.iterdir()) == files


def test_what_cannot_be_copied(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = kept(tmp_path / "state")
    with pytest.raises(StoreError, match="not there; allowed: a folder in which a gateway"):
        back_up(tmp_path / "none" / FILE, tmp_path)
    with pytest.raises(StoreError, match="not there; allowed: a file that `loopwitness backup`"):
        restore(tmp_path / "state", tmp_path / "none")
    with pytest.raises(StoreError, match="is there already; allowed: a new name, or a folder"):
        back_up(file, file)
    with pytest.raises(StoreError, match=r"nowhere/copy: No such file or directory|unable to open"):
        back_up(file, tmp_path / "nowhere" / "copy")
    usage = namedtuple("usage", "total used free")  # noqa: PYI024 - as shutil's own
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(9, 8, 1))
    with pytest.raises(
        StoreError, match=r"copy: 0\.1 MB needed, 0\.0 MB free there; allowed: a disk"
    ):
        back_up(file, tmp_path / "copy")
    assert sorted(f.name for f in tmp_path.iterdir()) == ["state"]
