"""Days of rows as Parquet files: whole, readable by others, and never fewer than were removed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from pyarrow import parquet

from gateway.errors import ArchiveError
from gateway.export.archive import Archive
from gateway.live import SinkState
from gateway.measure.blocks import Block
from gateway.record import history, retention
from gateway.record.retention import DAY_MS, Keep
from gateway.record.store import Store, open_store
from gateway.replay.archived import FOLDER
from gateway.replay.header import ScansError
from gateway.replay.replay import file_blocks
from tests.export.archiving_child import COUNT, DAYS, KEEP, STEP
from tests.record.made import START, plant, rows

HERE = plant()
ROOT = Path(__file__).parents[2]

pytestmark = pytest.mark.slow
DAY_0 = START // 86_400 * 86_400
POINTS = [f"a.{p}" for p in HERE.controllers["a"].points]
FIRST = "2026-05-28.parquet"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path, HERE) as opened:
        yield opened


def fill(store: Store, days: int = 3, step: float = 600.0) -> Block:
    """Rows from START on, for so many days; all of them."""
    block, means = rows(HERE, int(days * 86_400 / step), step=step)
    store.write([(block, means)])
    return block


def recorded(store: Store) -> list[Block]:
    with history.reader(store.file) as reader:
        return list(history.raw_blocks(reader, 0, 1e11, points=POINTS))


def archived(folder: Path) -> list[Block]:
    return list(file_blocks(folder / FOLDER, HERE))


def joined(blocks: list[Block]) -> Block:
    return Block(*(np.concatenate([getattr(b, k) for b in blocks]) for k in vars(blocks[0])))


async def test_days_go_as_a_whole_and_nothing_is_lost(tmp_path: Path, store: Store) -> None:
    whole = fill(store)
    archive, keep = Archive(store.file, HERE), Keep(1.0, 9.0, 99.0)
    assert await retention.prune(store, keep, START + 3 * 86_400, archive) > 0
    files = sorted(f.name for f in (tmp_path / FOLDER).iterdir())
    assert files == [FIRST, "2026-05-29.parquet"]
    left = recorded(store)
    assert left[0].time[0] == DAY_0 + 2 * 86_400, "the day of two days ago is still here"
    back = joined([*archived(tmp_path), *left])
    for name in vars(whole):
        np.testing.assert_array_equal(getattr(back, name), getattr(whole, name), name)


async def test_a_file_says_what_is_in_it(tmp_path: Path, store: Store) -> None:
    fill(store)
    await Archive(store.file, HERE)(round(DAY_0 * 1000), round(DAY_0 * 1000) + DAY_MS)
    table = parquet.read_table(tmp_path / FOLDER / FIRST)
    assert table.schema.names == ["time", *POINTS, "a reasons"]
    assert table.schema.field("a.setpoint").metadata[b"unit"] == b"inH2O"
    assert b'"id": "test"' in table.schema.metadata[b"loopwitness"]


async def test_killed_before_the_rows_were_removed(tmp_path: Path, store: Store) -> None:
    """The day's file is there, so the rows only go; part of them may be gone already."""
    fill(store)
    archive, keep = Archive(store.file, HERE), Keep(1.0, 9.0, 99.0)
    await archive(round(DAY_0 * 1000), round(DAY_0 * 1000) + DAY_MS)
    first = tmp_path / FOLDER / FIRST
    before = first.read_bytes()
    store.do(lambda c: c.execute("DELETE FROM scans WHERE time_ms < ?", ((START + 9000) * 1000,)))
    await retention.prune(store, keep, START + 3 * 86_400, archive)
    assert first.read_bytes() == before
    assert len(list((tmp_path / FOLDER).iterdir())) == 2


async def test_rows_that_came_later_get_a_file_of_their_own(tmp_path: Path, store: Store) -> None:
    fill(store)
    archive = Archive(store.file, HERE)
    day = round(DAY_0 * 1000)
    await archive(day, day + DAY_MS)
    late, means = rows(HERE, 5, start=START + 3.25)
    store.write([(late, means)])
    times = await archive(day, day + DAY_MS)
    assert sorted(f.name for f in (tmp_path / FOLDER).iterdir()) == ["2026-05-28-2.parquet", FIRST]
    assert np.isin(np.round(late.time * 1000), times).all()
    both = joined(archived(tmp_path)).time
    assert (np.diff(both) > 0).all(), "rows that are in both files come once"
    assert len(both) == len(times)
    store.write([rows(HERE, 1, start=START + 9.5)])
    with pytest.raises(ArchiveError, match="1 rows came after their day was archived"):
        store.do(retention._exactly, times)


async def test_an_archive_that_cannot_be_written_keeps_rows_and_says_so(
    tmp_path: Path, store: Store
) -> None:
    fill(store)
    (tmp_path / FOLDER).write_text("no folder")
    sinks: dict[str, SinkState] = {}
    slept = 0

    async def sleep(_: float) -> None:
        nonlocal slept
        slept += 1
        if slept == 2:
            (tmp_path / FOLDER).unlink()
        state = sinks[retention.ARCHIVE]
        if slept < 3:
            assert not state.connected
            assert "old rows stay where they are" in state.reason
            assert "File exists" in state.reason
            assert len(joined(recorded(store)).time) == 432
        else:
            assert state.connected
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        await retention.keep_pruned(
            store, Keep(1.0, 9.0, 99.0), sinks, Archive(store.file, HERE),
            clock=lambda: START + 3 * 86_400, sleep=sleep,
        )  # fmt: skip
    assert sinks[retention.ARCHIVE].failures == 2
    assert len(joined([*archived(tmp_path), *recorded(store)]).time) == 432


async def test_a_damaged_file_counts_as_nothing(tmp_path: Path, store: Store) -> None:
    fill(store)
    (tmp_path / FOLDER).mkdir()
    (tmp_path / FOLDER / FIRST).write_bytes(b"PAR1 not really")
    archive = Archive(store.file, HERE)
    await retention.prune(store, Keep(1.0, 9.0, 99.0), START + 3 * 86_400, archive)
    second = tmp_path / FOLDER / "2026-05-28-2.parquet"
    assert len(joined(list(file_blocks(second, HERE))).time) > 0
    assert (tmp_path / FOLDER / FIRST).read_bytes() == b"PAR1 not really"


def test_a_folder_without_scans_is_named(tmp_path: Path) -> None:
    with pytest.raises(ScansError, match=r"no scans in it; allowed: files that end in \.parquet"):
        list(file_blocks(tmp_path, HERE))


async def test_days_are_those_of_utc(
    tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """29 March 2026 has 23 hours in Berlin, and begins at 23:00 UTC of the day before."""
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    try:
        day = 1_774_742_400.0  # date -u -d 2026-03-29 +%s
        block, means = rows(HERE, 48, start=day - 43_200, step=3600.0)
        store.write([(block, means)])
        times = await Archive(store.file, HERE)(round(day * 1000), round(day * 1000) + DAY_MS)
        assert len(times) == 24
        assert [f.name for f in (tmp_path / FOLDER).iterdir()] == ["2026-03-29.parquet"]
        np.testing.assert_array_equal(joined(archived(tmp_path)).time, block.time[12:36])
    finally:
        monkeypatch.undo()
        time.tzset()


async def test_points_that_the_site_file_has_no_more_are_kept(tmp_path: Path) -> None:
    with open_store(tmp_path, plant(third=True)) as store:
        block, means = rows(plant(third=True), 10)
        store.write([(block, means)])
    smaller = HERE.model_copy(
        update={
            "controllers": {
                "a": HERE.controllers["a"].model_copy(
                    update={"points": {k: HERE.controllers["a"].points[k] for k in ("c1", "c2")}}
                )
            }
        }
    )
    await Archive(store.file, smaller)(round(DAY_0 * 1000), round(DAY_0 * 1000) + DAY_MS)
    names = parquet.read_table(tmp_path / FOLDER / FIRST).schema.names
    assert names == ["time", *POINTS, "a reasons"]


def test_killed_at_any_moment_every_row_is_in_a_file_or_in_the_history(tmp_path: Path) -> None:
    """Killed (-9) while days are archived and removed, until nothing is left to do."""
    script = Path(__file__).with_name("archiving_child.py")
    lives = 0
    while True:
        child = subprocess.Popen(
            [sys.executable, str(script), str(tmp_path)],
            stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep((0.2 + 0.5 * (lives % 6)) * (1 + lives / 8))
        child.send_signal(signal.SIGKILL)
        said = child.stdout.read()
        child.stdout.close()
        child.wait()
        lives += 1
        with open_store(tmp_path, HERE) as store:
            left = recorded(store)
        folder = tmp_path / FOLDER
        files = [f for f in folder.iterdir() if f.suffix == ".parquet"] if folder.exists() else []
        kept = [b.time for f in files for b in file_blocks(f, HERE)]
        times = np.unique(np.concatenate([*kept, *(b.time for b in left)]))
        np.testing.assert_array_equal(times, START + STEP * np.arange(COUNT))
        if "done" in said or lives > 30:
            break
    assert 3 <= lives <= 30
    assert len(files) == DAYS - KEEP
