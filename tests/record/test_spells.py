"""What lasted in a period, however much has happened since."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from gateway.record import spells
from gateway.record.opening import reader
from gateway.record.store import open_store
from tests.alarm.alarm_plant import START, Watch, finding, plant, rows

HERE = plant(limits={"high": 80.0})
LOOP = {("loop", "l0-0"), ("transducer", "p0-0a")}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A finding and a limit that begin before 100 s and end after 200 s; later they come often."""
    watch = Watch(HERE)
    for first, pressure in ((0, 95.0), (300, 50.0), (400, 95.0)):
        high = [pressure] * (300 if first < 300 else 100)
        watch.see(rows(HERE, {"p0-0a": high, "p0-0b": high}, start=START + first))
    raised = finding(HERE, "frozen", "p0-0a", at=50)
    short = finding(HERE, "open-circuit", "p0-0a", at=120)
    happened = [raised, short, replace(short, phase="cleared", time=START + 130),
                replace(raised, phase="cleared", time=START + 250)]  # fmt: skip
    for k in range(40):
        again = finding(HERE, "frozen", "p0-0a", at=500 + 2 * k)
        happened += [again, replace(again, phase="cleared", time=again.time + 1)]
    with open_store(tmp_path, HERE) as store:
        store.write([], [*happened, *watch.said])
    return tmp_path


@pytest.mark.parametrize("most", [spells.MOST, 10])
def test_a_period_is_told_whatever_came_after_it(
    folder: Path, monkeypatch: pytest.MonkeyPatch, most: int
) -> None:
    monkeypatch.setattr(spells, "MOST", most)
    with reader(folder / "history.sqlite3") as connection:
        told = spells.lasted(connection, LOOP, START + 100, START + 200)
        newest = spells.lasted(connection, LOOP, START + 100, START + 600)
    assert told.whole
    assert [(one.fault, one.start - START, one.end and one.end - START) for one in told.spells] == [
        ("pressure-high", 15, 315),
        ("frozen", 50, 250),
        ("open-circuit", 120, 130),
    ]
    assert newest.whole is (most == spells.MOST == 2000)
