"""Scans go out and come back through `replay` bit by bit, with every reason."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from gateway.plant.site import Site
from gateway.record.history import raw_blocks
from gateway.record.opening import FILE, reader
from gateway.replay.recorded import history_blocks
from gateway.replay.replay import file_blocks
from tests.export.kept import START, cells, exported, recorded
from tests.record.made import plant
from tests.replay.scans import archive, history, replayed, write_history

pytestmark = pytest.mark.slow

ENDINGS = ("csv", "csv.gz", "parquet")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Noise; times that no whole number of microseconds can tell."""
    made = tmp_path_factory.mktemp("scans")
    recorded(made)
    return made


@pytest.fixture(scope="module")
def site() -> Site:

    return plant(third=True)


@pytest.mark.parametrize("ending", ENDINGS)
def test_what_was_recorded_comes_back(folder: Path, site: Site, ending: str) -> None:
    file = exported(folder, site, "scans", f"scans.{ending}")
    points = [f"a.{name}" for name in site.controllers["a"].points]
    with reader(folder / FILE) as connection:
        (stored,) = raw_blocks(connection, 0, 1e11, points=points)
    (again,) = file_blocks(file, site)
    assert np.array_equal(again.time, stored.time)
    assert np.array_equal(again.values, stored.values, equal_nan=True)
    assert np.array_equal(again.reasons, stored.reasons)


@pytest.mark.parametrize("ending", ENDINGS)
def test_a_replay_finds_what_the_history_finds(tmp_path: Path, ending: str) -> None:
    site = archive()
    write_history(tmp_path, site, history())
    file = exported(tmp_path, site, "scans", f"scans.{ending}")
    found = replayed(history_blocks(tmp_path, site))
    assert len(found) > 5
    assert replayed(file_blocks(file, site)) == found


def test_a_loop_brings_its_points_and_no_others(folder: Path, site: Site) -> None:
    file = exported(folder, site, "scans", "lobby.csv", loops=["lobby"], start=str(START + 10),
                    end=str(START + 20))  # fmt: skip
    found = cells(file)
    assert list(found[0]) == ["time", "a.c3", "a reasons"]
    assert [float(row["time"]) for row in found] == [START + 10 + k for k in range(10)]
    assert {row["a reasons"] for row in found if not row["a.c3"]} <= {"no-communication"}
    (block,) = file_blocks(file, site)
    assert len(block) == 10
