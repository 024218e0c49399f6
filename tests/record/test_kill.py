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
    """Rows every 10 ms, commits every 100 ms: at most that and one commit under way are lost.

    Rows and commits tell how much that is, not the clock: a busy machine takes its time for both.
    """
    child = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("recording_child.py")), str(tmp_path)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert child.stdout is not None
    said: list[str] = []
    while not said or not said[-1].startswith("done"):
        said.append(child.stdout.readline().strip())
        assert said[-1], "it goes on until it is killed"
    time.sleep(seconds)
    child.send_signal(signal.SIGKILL)
    said += child.stdout.read().splitlines()
    child.stdout.close()
    child.wait()
    with open_store(tmp_path, plant()) as store:
        with history.reader(store.file) as reader:
            times = reader.execute("SELECT time FROM scans ORDER BY time_ms").fetchall()
            means = reader.execute("SELECT count(*) FROM readings").fetchone()
            events = reader.execute("SELECT seq FROM journal ORDER BY seq").fetchall()
        kept = [round(time - START) for (time,) in times]
        assert kept == list(range(len(kept))), "no hole"
        done = [int(line.split()[1]) for line in said if line.startswith("done")]
        assert kept[-1] >= done[-1], "what was committed"
        assert not late(said), "and nothing waited longer for a commit than a second"
        assert means == (len(kept),)
        raised = [f.subject for f in store.do(journal.open_findings)]
        assert raised == [f"p{k}" for k in kept if k % 5 == 0], "a finding with its row"
        waiting = [(one.entry.seq,) for one in store.do(outbox.take, 10_000)]
        assert waiting == events, "outbox and journal agree"


def late(said: list[str]) -> list[str]:
    """What went wrong between rows and commits, from what the process told.

    A row is in the first or second commit that begins after it, and at most a hundred rows are made
    from the end of a commit to the beginning of the next.
    """
    found: list[str] = []
    newest, begun, idle = -1, [-1], 0
    under_way = False
    for line in said:
        if line == "begun":
            begun.append(newest)
            under_way = True
        elif line.startswith("done"):
            under_way, idle = False, 0
            if int(line.split()[1]) < begun[-2]:
                found.append(f"{line}: row {begun[-2]} was made before the commit before")
        else:
            newest, idle = int(line), 0 if under_way else idle + 1
            if idle > 100:
                found.append(f"row {line}: no commit for {idle} rows")
    return found
