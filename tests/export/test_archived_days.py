"""Days that are only in the archive come out beside those in the history: whole, in order, once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet
from rich.console import Console

from gateway.errors import StartError, StoreError
from gateway.export.archive import Archive
from gateway.export.run import run_export
from gateway.measure.blocks import Block
from gateway.measure.quality import Reason
from gateway.record import history, retention
from gateway.record.opening import FILE
from gateway.record.retention import DAY_MS, Keep
from gateway.record.store import Store, open_store
from gateway.replay import parquetfile
from gateway.replay.archived import FOLDER, day_of, ends, kept_blocks, merged
from gateway.replay.recorded import history_blocks
from gateway.replay.replay import between, file_blocks
from tests.export.kept import exported
from tests.export.test_archive import DAY_0, HERE, POINTS, fill, joined
from tests.record.made import START, plant, rows

KEEP = Keep(1.0, 9.0, 99.0)
NOW = START + 3 * 86_400
slow = pytest.mark.slow


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path, HERE) as opened:
        yield opened


async def archived(store: Store) -> None:
    """All but the last two days go into files."""
    assert await retention.prune(store, KEEP, NOW, Archive(store.file, HERE)) > 0


def kept(store: Store, start: float = 0.0, end: float = 1e11, size: int = 100) -> Iterator[Block]:
    with history.reader(store.file) as reader:
        yield from kept_blocks(
            reader, store.file.parent / FOLDER, start, end, size, points=POINTS
        )  # fmt: skip


def assert_same(got: Block, wanted: Block) -> None:
    for name in vars(wanted):
        np.testing.assert_array_equal(getattr(got, name), getattr(wanted, name), name)


@slow
@pytest.mark.parametrize("kind", ["scans", "readings"])
@pytest.mark.parametrize("ending", ["csv", "parquet"])
async def test_an_export_is_the_same_before_and_after(
    tmp_path: Path, store: Store, kind: str, ending: str
) -> None:
    """Over a seam between archive and history, and from the middle of an archived day."""
    fill(store)
    asked = {"start": str(START + 30_000), "end": str(START + 220_000)}
    before = exported(tmp_path, HERE, kind, f"before.{ending}", **asked)
    await archived(store)
    after = exported(tmp_path, HERE, kind, f"after.{ending}", **asked)
    if ending == "parquet":
        assert parquet.read_table(after).equals(parquet.read_table(before))
    else:
        assert after.read_bytes() == before.read_bytes()
    with history.reader(store.file) as reader:
        (living,) = reader.execute("SELECT count(*) FROM scans WHERE time < ?", (START + 86_000,))
        first, last = ends(reader, tmp_path / FOLDER) or (0.0, 0.0)
    assert living == (0,), "what was exported from there is only in files"
    assert first == DAY_0
    assert last == START + 3 * 86_400 - 600


@slow
async def test_a_replay_of_the_history_begins_in_the_archive(tmp_path: Path, store: Store) -> None:
    whole = fill(store)
    await archived(store)
    assert_same(joined(list(history_blocks(tmp_path, HERE))), whole)


@slow
@pytest.mark.parametrize("after", [1, 2, 3, 4])
async def test_days_that_move_while_they_are_read(store: Store, after: int) -> None:
    """Archived and removed between two blocks of an export that has already begun."""
    whole = fill(store)
    blocks = kept(store, size=60)
    got = [next(blocks) for _ in range(after)]
    await archived(store)
    got += blocks
    assert_same(joined(got), whole)


@slow
async def test_a_file_taken_away_while_it_is_read_takes_only_its_rows(store: Store) -> None:
    whole = fill(store)
    await archived(store)
    blocks = kept(store, size=60)
    got = [next(blocks)]
    (store.file.parent / FOLDER / "2026-05-29.parquet").unlink()
    got += blocks
    there = (whole.time < DAY_0 + 86_400) | (whole.time >= DAY_0 + 2 * 86_400)
    assert_same(joined(got), Block(whole.time[there], whole.values[there], whole.reasons[there]))


@slow
async def test_a_day_in_two_files_and_the_history(tmp_path: Path, store: Store) -> None:
    """The first file has what was removed since, the second what came late."""
    whole, day = fill(store), round(DAY_0 * 1000)
    archive = Archive(store.file, HERE)
    await archive(day, day + DAY_MS)
    store.do(lambda c: c.execute("DELETE FROM scans WHERE time_ms < ?", ((START + 9000) * 1000,)))
    late, means = rows(HERE, 5, start=START + 9100.25, step=600.0)
    store.write([(late, means)])
    await archive(day, day + DAY_MS)
    both = joined(list(kept(store)))
    assert (np.diff(both.time) > 0).all()
    np.testing.assert_array_equal(both.time, np.union1d(whole.time, late.time))
    files = joined(list(file_blocks(tmp_path / FOLDER, HERE)))
    np.testing.assert_array_equal(files.time, both.time[both.time < DAY_0 + 86_400])


@slow
async def test_points_come_and_go_with_the_site_file(tmp_path: Path) -> None:
    """What the file has not was not read yet; what is not asked for does not matter."""
    more = ["a.later", *POINTS]
    with open_store(tmp_path, HERE) as store:
        whole = fill(store)
        await archived(store)
        with history.reader(store.file) as reader:
            got = joined(list(kept_blocks(reader, tmp_path / FOLDER, 0, 1e11, points=more)))
            one = joined(list(kept_blocks(reader, tmp_path / FOLDER, 0, 1e11, points=["a.c2"])))
    assert np.isnan(got.values[:, 0]).all()
    assert (got.reasons[:, 0] == Reason.NOT_READ_YET).all()
    np.testing.assert_array_equal(got.values[:, 1:], whole.values)
    np.testing.assert_array_equal(got.reasons[:, 1:], whole.reasons)
    np.testing.assert_array_equal(one.values[:, 0], whole.values[:, POINTS.index("a.c2")])


@slow
async def test_a_folder_is_replayed_when_the_site_has_other_points_by_now(tmp_path: Path) -> None:
    """As the history is: what the site has no more is left out, what it has since is not read."""
    today = plant()
    points = dict(today.controllers["a"].points)
    points["later"] = points.pop("c3")
    changed = {"a": today.controllers["a"].model_copy(update={"points": points})}
    today = today.model_copy(update={"controllers": changed})
    with open_store(tmp_path, HERE) as store:
        fill(store)
        await archived(store)
        wanted = joined(list(history_blocks(tmp_path, today, end=DAY_0 + 86_400)))
    got = joined(list(between(file_blocks(tmp_path / FOLDER, today), 0.0, DAY_0 + 86_400)))
    assert len(got) > 0
    assert_same(got, wanted)
    assert (got.reasons[:, -1] == Reason.NOT_READ_YET).all()


@slow
async def test_a_damaged_file_is_named_and_what_can_be_done(tmp_path: Path, store: Store) -> None:
    fill(store)
    await archived(store)
    file = tmp_path / FOLDER / "2026-05-29.parquet"
    file.write_bytes(b"PAR1 not really")
    with pytest.raises(StoreError, match=r"2026-05-29\.parquet: .*allowed: a whole file of the"):
        exported(tmp_path, HERE, "scans", "scans.csv")
    assert not (tmp_path / "scans.csv").exists()
    assert len(exported(tmp_path, HERE, "scans", "late.csv", start=str(DAY_0 + 2 * 86_400))
               .read_text().splitlines()) > 100, "no other day needs it"  # fmt: skip


@slow
async def test_without_the_extra_only_archived_days_are_refused(
    tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(store)
    await archived(store)
    monkeypatch.setattr(parquetfile, "parquet", None)
    exported(tmp_path, HERE, "scans", "late.csv", start=str(DAY_0 + 2 * 86_400))
    with pytest.raises(StartError, match=r"2026-05-28\.parquet: Parquet needs pyarrow"):
        exported(tmp_path, HERE, "scans", "scans.csv")


def test_names_of_days() -> None:
    assert day_of("1970-01-02.parquet") == (86_400.0, 1)
    assert day_of("1970-01-02-11.parquet") == (86_400.0, 11)
    for name in ("1970-01-02.parquet.part", "1970-13-02.parquet", "mine.parquet", "1970-01-02.csv"):
        assert day_of(name) is None


def test_no_archive_and_no_rows(tmp_path: Path, store: Store) -> None:
    with history.reader(tmp_path / FILE) as reader:
        assert ends(reader, tmp_path / FOLDER) is None
        assert ends(reader, None) is None
    assert list(kept(store)) == []


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_merged_is_all_in_order_and_once(data: st.DataObject) -> None:
    """However the rows lie in the sources, and however those are cut."""
    draw: Callable[..., list[int]] = data.draw
    sources = [
        sorted(draw(st.sets(st.integers(0, 60)))) for _ in range(data.draw(st.integers(0, 4)))
    ]
    whole = sorted(set().union(*sources))

    def cut(times: list[int], number: int) -> Iterator[Block]:
        while times:
            n = data.draw(st.integers(1, len(times)))
            column = np.full((n, 1), float(number))
            yield Block(np.array(times[:n], dtype=np.float64), column, column.astype(np.uint8))
            times = times[n:]

    got = list(merged([cut(times, number) for number, times in enumerate(sources)]))
    assert [t for block in got for t in block.time.tolist()] == whole
    assert [v for block in got for v in block.values[:, 0].tolist()] == [
        next(k for k, times in enumerate(sources) if t in times) for t in whole
    ]


def test_a_damaged_history_is_told_as_such(tmp_path: Path) -> None:
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 200)])
    with (tmp_path / FILE).open("r+b") as file:
        file.seek(4096)
        file.write(b"\xff" * 40_000)
    words: tuple[str, list[str], list[str], None, None] = ("scans", [], [], None, None)
    with pytest.raises(StoreError, match=r"malformed; allowed: a file that is whole"):
        run_export(HERE, words, tmp_path, tmp_path / "scans.csv", Console(stderr=True))
    with pytest.raises(StoreError, match=r"malformed; allowed: a file that is whole"):
        list(history_blocks(tmp_path, HERE))
