"""`loopwitness relearn` leaves its wish where the gateway looks."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from gateway.record.wishes import take_relearn

pytestmark = pytest.mark.slow


def relearn(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "gateway", "relearn", "stair-b", "--reason", "tube replaced"],
        env={**os.environ, "LOOPWITNESS_STATE_DIR": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_wish_reaches_the_folder(tmp_path: Path) -> None:
    done = relearn(tmp_path)
    assert done.returncode == 0, done.stderr
    assert take_relearn(tmp_path) == [("stair-b", "tube replaced", "local")]


def test_no_folder_is_a_clear_error(tmp_path: Path) -> None:
    done = relearn(tmp_path / "none")
    assert done.returncode == 3
    assert "No such file or directory; allowed: the folder of a gateway" in done.stderr
