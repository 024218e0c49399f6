"""kill -9 at sixty random moments, life after life on one file: nothing that was told is lost."""

from __future__ import annotations

import multiprocessing
import random
import time
from collections import defaultdict
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from gateway.loopcheck.moves import replay
from gateway.record import checks
from gateway.record.store import open_store
from tests.checking.bench import HERE
from tests.checking.lives import life

pytestmark = [pytest.mark.slow, pytest.mark.timeout(600)]

KILLS = 60
Told = tuple[str, str, str]


def killed(folder: Path, number: int, things: int, seconds: float) -> list[Told]:
    """One life, ended so long after it told so many things; everything that it told."""
    server = multiprocessing.get_context("forkserver")
    ours, theirs = server.Pipe(duplex=False)
    process = server.Process(target=life, args=(str(folder), number, theirs))
    process.start()
    theirs.close()
    told: list[Told] = []
    while len(told) < things:
        assert ours.poll(180), f"no more than {told}"
        told.append(ours.recv())
    time.sleep(seconds)
    process.kill()
    process.join()
    told += rest(ours)
    ours.close()
    process.close()
    return told


def rest(ours: Connection) -> list[Told]:
    found: list[Told] = []
    try:
        while ours.poll():
            found.append(ours.recv())
    except EOFError:
        pass
    return found


def test_sixty_kills_lose_no_recorded_step(tmp_path: Path) -> None:
    multiprocessing.get_context("forkserver").set_forkserver_preload(["tests.checking.lives"])
    dice = random.Random(7)  # noqa: S311 - moments, no secrets
    steps: dict[str, list[str]] = defaultdict(list)
    finished: dict[str, str] = {}
    for number in range(KILLS):
        things, seconds = dice.randint(1, 6), dice.uniform(0.0, 0.05)
        for kind, name, what in killed(tmp_path, number, things, seconds):
            if kind == "recorded":
                steps[name].append(what)
            else:
                finished[name] = what
        with open_store(tmp_path, HERE) as store:
            for name, told in steps.items():
                kept = replay(store.do(checks.events, name))
                missing = set(told) - set(kept.recorded)
                assert not missing, f"kill {number}: {name} lost {missing}"
    with open_store(tmp_path, HERE) as store:
        lines = {line.run: str(line.number) for line in store.do(checks.records)}
        assert finished.items() <= lines.items()
        assert store.do(checks.broken) == []
        assert len(store.do(checks.unfinished)) <= 1
    assert sum(map(len, steps.values())) >= KILLS
    assert len(finished) > 3, "some of them went to the end, over several lives"
