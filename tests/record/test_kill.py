"""kill -9 of a recording process: at most the last commit is missing, and nothing is half there."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from gateway.record import history, journal, outbox
from gateway.record.store import open_store
from tests.record.made import START, plant

ROOT = Path(__file__).parents[2]


@pytest.mark.server
@pytest.mark.parametrize("seconds", [0.6, 0.95])
def test_kill_costs_the_last_commit_at_most(tmp_path: Path, seconds: float) -> None:
    """Rows every 10 ms, commits every 100 ms: at most that and one commit under way are lost."""
    child = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("recording_child.py")), str(tmp_path)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert child.stdout is not None
    child.stdout.readline()
    time.sleep(seconds)
    child.send_signal(signal.SIGKILL)
    made = [int(line) for line in child.stdout.read().split()]
    child.stdout.close()
    child.wait()
    with open_store(tmp_path, plant()) as store:
        with history.reader(store.file) as reader:
            times = reader.execute("SELECT time FROM scans ORDER BY time_ms").fetchall()
            means = reader.execute("SELECT count(*) FROM readings").fetchone()
            events = reader.execute("SELECT seq FROM journal ORDER BY seq").fetchall()
        kept = [round(time - START) for (time,) in times]
        assert kept == list(range(len(kept))), "no hole"
        assert made[-1] - kept[-1] <= 100, "a second"
        assert means == (len(kept),)
        raised = [f.subject for f in store.do(journal.open_findings)]
        assert raised == [f"p{k}" for k in kept if k % 5 == 0], "a finding with its row"
        waiting = [(one.entry.seq,) for one in store.do(outbox.take, 10_000)]
        assert waiting == events, "outbox and journal agree"
