"""Minutes and hours, closed ones from the rollups and open ones from the rows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from gateway.record.opening import FILE
from gateway.record.retention import Keep, prune
from gateway.record.store import open_store
from tests.export.kept import SECONDS, START, cells, column, exported, recorded
from tests.record.made import plant

pytestmark = pytest.mark.slow

HOUR = 3600


def numbers(found: list[dict[str, str]], name: str) -> list[float]:
    return [float(text) if text else np.nan for text in column(found, name)]


@pytest.mark.parametrize(("kind", "width"), [("minutes", 60), ("hours", HOUR)])
def test_summaries_are_those_of_the_rows(tmp_path: Path, kind: str, width: int) -> None:
    here, block, readings = recorded(tmp_path)
    found = cells(exported(tmp_path, here, kind, "rollups.csv", transducers=["p1"]))
    bucket = (block.time // width).astype(int)
    assert column(found, "time")[0] == f"2026-05-28T20:{30 if width == 60 else '00'}:00.000Z"
    values = [readings.pressure[bucket == k, 0] for k in np.unique(bucket)]
    assert numbers(found, "p1 count") == [np.isfinite(v).sum() for v in values]
    for figure, function in (
        ("mean", np.nanmean), ("low", np.nanmin), ("high", np.nanmax), ("deviation", np.nanstd),
    ):  # fmt: skip
        wanted = [function(v) for v in values]
        assert np.allclose(numbers(found, f"p1 {figure} [Pa]"), wanted, rtol=1e-5), figure
    assert set(column(found, "p1 quality")) == {"bad"}, "one of ten reads failed"


async def test_minutes_outlive_the_rows(tmp_path: Path) -> None:
    here, _, _ = recorded(tmp_path)
    before = cells(exported(tmp_path, here, "minutes", "before.csv"))
    with open_store(tmp_path, here) as store:
        await prune(store, Keep(1.0, 100.0, 100.0), now=START + SECONDS + 86_400 - 400)
    after = cells(exported(tmp_path, here, "minutes", "after.csv"))
    closed = int((HOUR - START % HOUR) // 60)
    assert after[:closed] == before[:closed]
    left = exported(tmp_path, here, "readings", "rows.csv").read_bytes().splitlines()
    assert len(left) == 1 + SECONDS - 60 * closed, "rows go by whole hours"


def test_hours_are_asked_for_between_any_times(tmp_path: Path) -> None:
    here, _, _ = recorded(tmp_path)
    found = cells(exported(tmp_path, here, "minutes", "some.csv", start=str(START + 90),
                           end=str(START + 300)))  # fmt: skip
    assert [row["time"][14:19] for row in found] == ["31:00", "32:00", "33:00", "34:00"]


def test_an_empty_history_has_no_rows(tmp_path: Path) -> None:
    with open_store(tmp_path, plant()):
        pass
    assert (tmp_path / FILE).is_file()
    for kind in ("minutes", "hours", "readings", "scans", "journal"):
        assert cells(exported(tmp_path, plant(), kind, f"{kind}.csv")) == []
