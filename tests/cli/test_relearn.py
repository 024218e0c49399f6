"""`loopwitness relearn` leaves its wish where the gateway looks."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from gateway.record.opening import FILE
from gateway.record.wishes import take_relearn

pytestmark = pytest.mark.slow


def relearn(
    folder: Path, loop: str = "stair-b", reason: str = "tube replaced"
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "gateway", "relearn", loop, "--reason", reason],
        env={**os.environ, "LOOPWITNESS_STATE_DIR": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_wish_reaches_the_folder(tmp_path: Path) -> None:
    done = relearn(tmp_path)
    assert done.returncode == 0, done.stderr
    assert take_relearn(tmp_path) == [("stair-b", "tube replaced", "local")]


def test_a_slip_is_told_and_asks_nothing(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / FILE) as history:
        history.execute("CREATE TABLE series (id INTEGER, name TEXT)")
        history.executemany(
            "INSERT INTO series VALUES (?, ?)",
            [(1, "transducer/dp-201"), (2, "loop/stair-b/combined"), (3, "loop/duct/feedback")],
        )
    done = relearn(tmp_path, "stairb")
    assert done.returncode == 2
    assert str(tmp_path) in done.stderr
    assert 'did you mean "stair-b"?' in done.stderr
    nothing = relearn(tmp_path, reason=" ")
    assert nothing.returncode == 2
    assert "what was done" in nothing.stderr
    assert take_relearn(tmp_path) == []
    assert relearn(tmp_path).returncode == 0


def test_no_folder_is_a_clear_error(tmp_path: Path) -> None:
    done = relearn(tmp_path / "none")
    assert done.returncode == 3
    assert "No such file or directory; allowed: the folder of a gateway" in done.stderr
