"""200 times kill -9 while alarms come and go and people act: the journal is what was made.

Of each life the journal has a beginning without a hole, at least as long as what was confirmed to
somebody, and nothing twice; and the next life starts from exactly that.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from gateway.alarm.memory import restore
from gateway.alarm.states import Event, State
from gateway.alarm.stored import from_dict
from gateway.alarm.transition import Transition, from_body
from gateway.record import alarms, journal
from gateway.record.journal import ALARM, FINDING, Entry, Search
from gateway.record.store import open_store
from tests.record.alarm_lives import HERE, TOLD

ROOT = Path(__file__).parents[2]
SIDE_BY_SIDE, KILLS = 2, 100


@dataclass
class Life:
    """What one life told."""

    restored: Any = None
    made: list[Transition] = field(default_factory=list)
    kept: int = 0


def lives(file: Path) -> list[Life]:
    """Every life; a last line that the kill cut off was told of nothing that was done."""
    found: list[Life] = []
    for line in file.read_bytes().splitlines(keepends=True):
        if not line.endswith(b"\n"):
            continue
        ((what, value),) = json.loads(line).items()
        match what:
            case "life":
                found.append(Life())
            case "restored":
                found[-1].restored = value
            case "made":
                found[-1].made.append(from_body(value))
            case "kept":
                found[-1].kept = max(found[-1].kept, value)
    return found


def entries(folder: Path, kind: str) -> list[Entry]:
    with open_store(folder, HERE) as store:
        return store.do(journal.search, Search(kind=kind), 10_000_000)[::-1]


def common(made: list[Transition], kept: Iterator[Transition]) -> int:
    """How many of a life's transitions the journal has from here on."""
    for count, (mine, theirs) in enumerate(zip(made, kept, strict=False)):
        if mine != theirs:
            return count
    return len(made)


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    made = [tmp_path_factory.mktemp(f"lives{k}") for k in range(SIDE_BY_SIDE)]
    script = Path(__file__).with_name("alarm_lives.py")
    at_work = [
        subprocess.Popen(
            [sys.executable, str(script), str(folder), str(KILLS), str(seed)],
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        for seed, folder in enumerate(made)
    ]
    assert [one.wait(timeout=400) for one in at_work] == [0] * SIDE_BY_SIDE
    return made


@pytest.mark.slow
@pytest.mark.timeout(500)
@pytest.mark.parametrize("number", range(SIDE_BY_SIDE))
def test_nothing_is_lost_or_doubled(folders: list[Path], number: int) -> None:
    folder = folders[number]
    there = [journal.to_transition(entry) for entry in entries(folder, ALARM)]
    told = lives(folder / TOLD)
    # Every second life is waited for; the others may be killed before their first word.
    assert len(told) >= KILLS / 2
    at = 0
    for life in told:
        if life.restored is not None:
            assert from_dict(life.restored) == restore(there[:at])
        count = min(common(life.made, iter(there[at:])), len(there) - at)
        assert count >= life.kept, "what was confirmed is there"
        at += count
    assert at == len(there), "nothing that nobody made, nothing twice"
    assert len({(t.time, t.order) for t in there}) == len(there)
    assert sum(life.kept > 0 for life in told) > KILLS / 3, "most lives were long enough"
    assert any(len(life.made) > life.kept for life in told), "and were cut off in the middle"
    with open_store(folder, HERE) as store:
        assert store.do(alarms.resume) == restore(there)


@pytest.mark.slow
@pytest.mark.timeout(500)
@pytest.mark.parametrize("number", range(SIDE_BY_SIDE))
def test_every_step_follows_from_the_one_before(folders: list[Path], number: int) -> None:
    where: dict[str, State] = {}
    raised = {e.ref for e in entries(folders[number], FINDING) if e.phase == "raised"}
    events = set()
    for entry in entries(folders[number], ALARM):
        t = journal.to_transition(entry)
        assert where.get(t.alarm, State.NORMAL) is t.before
        where[t.alarm] = t.after
        events.add(t.event)
        if t.event is Event.ALARM and t.fault in ("open-circuit", "tube-off", "frozen"):
            assert t.finding in raised, "an alarm with its finding"
    assert events >= {
        Event.ALARM, Event.RETURN, Event.ACKNOWLEDGE, Event.SHELVE, Event.UNSHELVE,
        Event.REMOVE, Event.RESTORE,
    }  # fmt: skip
