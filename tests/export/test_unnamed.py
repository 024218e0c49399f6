"""What a history holds and the site file does not name: told to who exports everything."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from gateway.export.order import ordered
from gateway.export.run import run_export
from gateway.export.unnamed import unnamed
from gateway.plant.site import Site
from gateway.record.opening import FILE, reader
from gateway.record.store import open_store
from tests.export.kept import START
from tests.record.made import plant, rows

HOUR = 3600
GONE = ("loop lobby", "transducer p3")


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """Half an hour, an hour and a half, and half an hour; the third transducer in the first two."""
    for here, start, count in (
        (plant(third=True), START, 180), (plant(third=True), START + 2 * HOUR, 20),
        (plant(), START + 3 * HOUR, 400), (plant(), START + 5 * HOUR, 20),
    ):  # fmt: skip
        with open_store(tmp_path, here) as store:
            store.write([rows(here, count, start=start, step=10.0)])
    return tmp_path


def told(state: Path, site: Site, kind: str = "readings", **asked: Any) -> list[str]:
    with reader(state / FILE) as connection:
        return list(unnamed(connection, site, ordered(site, kind, **asked)))


@pytest.mark.parametrize("kind", ["readings", "minutes", "hours"])
def test_of_the_span_only(state: Path, kind: str) -> None:
    assert told(state, plant(), kind) == list(GONE)
    assert told(state, plant(), kind, end=str(START + HOUR)) == list(GONE)
    assert told(state, plant(), kind, start=str(START + 3 * HOUR)) == []
    assert told(state, plant(), kind, start=str(START + 5 * HOUR)) == [], "not summed up yet"


def test_of_the_last_rows(tmp_path: Path) -> None:
    with open_store(tmp_path, plant(third=True)) as store:
        store.write([rows(plant(third=True), 20)])
    assert told(tmp_path, plant()) == list(GONE)
    assert told(tmp_path, plant(), start=str(START + 20)) == []


def test_nothing_is_missing(state: Path) -> None:
    assert told(state, plant(third=True)) == []
    assert told(state, plant(), transducers=["p1"]) == [], "the order says what it wants"
    assert told(state, plant(), loops=["stair"]) == []
    assert told(state, plant(), "scans") == told(state, plant(), "journal") == []


def test_as_a_person_meets_it(state: Path, capsys: pytest.CaptureFixture[str]) -> None:
    errors = Console(file=io.StringIO(), width=400, markup=False, highlight=False)
    file = state / "all.csv"
    run_export(plant(), ("hours", [], [], None, None), state, file, errors)
    assert isinstance(errors.file, io.StringIO)
    said = errors.file.getvalue().splitlines()
    assert said[1] == (
        "Left out: loop lobby, transducer p3. The history holds them, but the site file does not "
        "name them; export them with the site file of their time."
    )
    run_export(plant(), ("hours", [], [], None, None), state, file, errors, as_json=True)
    assert json.loads(capsys.readouterr().out)["unnamed"] == list(GONE)
    errors.file.truncate(0)
    run_export(plant(third=True), ("hours", [], [], None, None), state, file, errors)
    assert "Left out" not in errors.file.getvalue()
