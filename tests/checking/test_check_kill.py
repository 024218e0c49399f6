"""kill -9 in the middle of a check: not one recorded step is lost, and it goes on from there."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from gateway.loopcheck.events import Resumed
from gateway.loopcheck.run import Measure
from gateway.record import checks
from tests.checking.bench import bench

ROOT = Path(__file__).parents[2]


def killed(folder: Path, lines: int) -> tuple[str, list[str]]:
    """A child killed after so many steps: its check, and the last steps it told of."""
    child = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("checking_child.py")), str(folder)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert child.stdout is not None
    name, *_ = [child.stdout.readline().strip() for _ in range(lines + 1)]
    child.send_signal(signal.SIGKILL)
    told = child.stdout.read().splitlines()
    child.stdout.close()
    child.wait()
    return name, told[-1].split() if told else []


@pytest.mark.server
@pytest.mark.parametrize("lines", [3, 12])
async def test_kill_loses_no_recorded_step(tmp_path: Path, lines: int) -> None:
    name, last = killed(tmp_path, lines)
    async with bench(tmp_path) as again:
        one = again.checks.of(name)
        assert list(one.run.recorded)[: len(last)] == last
        assert len(one.run.recorded) >= max(lines, len(last))
        await again.checks.tell(name, Resumed(**again.at()))
        before = len(one.run.recorded)
        assert isinstance(one.run.task, Measure)
        await again.step(one)
        assert len(one.run.recorded) == before + 1
        assert again.there.store.do(checks.unfinished) == [name]
