"""One history, however it is stored: the findings are those of the live gateway."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from gateway.measure.blocks import Block
from gateway.replay import csvfile
from gateway.replay.recorded import history_blocks
from gateway.replay.replay import between, file_blocks, replay
from tests.replay.scans import (
    START,
    archive,
    direct,
    history,
    refs,
    replayed,
    rows,
    said,
    write_csv,
    write_history,
    write_parquet,
)

pytestmark = pytest.mark.slow

HEAD = ["time", *refs(archive())]


def blocks_joined(blocks: Iterable[Block]) -> Block:
    parts = list(blocks)
    return Block(*(np.concatenate([getattr(b, k) for b in parts]) for k in vars(parts[0])))


def assert_history(blocks: Iterable[Block]) -> None:
    """The rows as the gateway polled them, to the last digit, with the reasons of empty cells."""
    read = blocks_joined(blocks)
    np.testing.assert_array_equal(read.time, history().time)
    np.testing.assert_array_equal(read.values, history().values)
    np.testing.assert_array_equal(read.reasons, history().reasons)


def test_the_history_has_something_to_find() -> None:
    found = said(direct())
    assert ("raised", "open-circuit", "dp-402") in found
    assert ("raised", "no-communication", "") in found
    assert ("raised", "bad-reply", "") in found
    assert any(phase == "cleared" for phase, _, _ in found)


@pytest.mark.parametrize("source", ["csv", "parquet", "history"])
def test_findings_are_those_of_the_live_gateway(
    tmp_path: Path, source: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(csvfile, "BLOCK_ROWS", 500)
    site, block = archive(), history()
    match source:
        case "csv":
            blocks = file_blocks(write_csv(tmp_path / "s.csv.gz", HEAD, rows(block)), site)
        case "parquet":
            blocks = file_blocks(write_parquet(tmp_path / "s.parquet", block, HEAD[1:]), site)
        case _:
            blocks = history_blocks(write_history(tmp_path / "state", site, block), site)
    assert replayed(blocks) == direct()


@pytest.mark.parametrize("size", [97, 999_999])
def test_every_source_gives_the_rows_as_they_were(
    tmp_path: Path, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only the cells are in a file: whether a point was due, or its read failed, is told."""
    monkeypatch.setattr(csvfile, "BLOCK_ROWS", size)
    site, block = archive(), history()
    assert_history(file_blocks(write_csv(tmp_path / "s.csv", HEAD, rows(block)), site))
    assert_history(file_blocks(write_parquet(tmp_path / "s.parquet", block, HEAD[1:]), site))
    assert_history(history_blocks(write_history(tmp_path / "state", site, block), site))


@pytest.mark.parametrize("name", ["scans.csv", "scans.csv.gz"])
@pytest.mark.parametrize("words", [False, True], ids=["seconds", "ISO 8601"])
def test_forms_of_a_csv_file(tmp_path: Path, name: str, *, words: bool) -> None:
    file = write_csv(tmp_path / name, HEAD, rows(history(), words=words))
    assert_history(file_blocks(file, archive()))


def test_columns_may_come_in_any_order(tmp_path: Path) -> None:
    order = np.random.default_rng(3).permutation(len(HEAD) - 1).tolist()
    head = ["time", *(HEAD[1 + k] for k in order)]
    file = write_csv(tmp_path / "scans.csv", head, rows(history(), order=order))
    assert_history(file_blocks(file, archive()))


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("zone", [None, "UTC", "+02:00"])
def test_parquet_times_may_be_timestamps(tmp_path: Path, unit: str, zone: str | None) -> None:
    """Ticks count from 1970 in UTC whatever the zone they are shown in; none: UTC, as in CSV.

    Source: Parquet format, logical type TIMESTAMP, isAdjustedToUTC (from memory).
    """
    block = history().rows(0, 30)
    ticks = np.round(block.time * {"s": 1, "ms": 1e3, "us": 1e6, "ns": 1e9}[unit])
    times = pa.array(ticks.astype(np.int64), pa.timestamp(unit, zone))
    file = write_parquet(tmp_path / "scans.parquet", block, HEAD[1:], times)
    (read,) = file_blocks(file, archive())
    np.testing.assert_array_equal(read.time, block.time)


def test_parquet_times_may_be_words(tmp_path: Path) -> None:
    block = history().rows(0, 3)
    times = pa.array(["2026-06-01T00:00:00Z", "2026-06-01T00:00:10Z", "2026-06-01T02:00:20+02:00"])
    file = write_parquet(tmp_path / "scans.pq", block, HEAD[1:], times)
    (read,) = file_blocks(file, archive())
    assert read.time.tolist() == [START, START + 10, START + 20]


def test_points_that_the_file_lacks_are_not_read_yet(tmp_path: Path) -> None:
    names = [name for name in refs(archive()) if name.startswith("sf-2.")]
    places = [refs(archive()).index(name) for name in names]
    file = write_csv(tmp_path / "scans.csv", ["time", *names], rows(history(), order=places))
    lines = replayed(file_blocks(file, archive()))
    assert said(lines)
    assert {transducer for _, _, transducer in said(lines)} <= {"", "dp-201", "dp-202"}
    assert not [d for d in said(lines) if d[1] == "no-communication"]


def test_a_part_of_the_time(tmp_path: Path) -> None:
    first, last = START + 600, START + 3600
    file = write_csv(tmp_path / "scans.csv", HEAD, rows(history()))
    folder = write_history(tmp_path / "state", archive(), history())
    ours = [
        list(replay(archive(), blocks))
        for blocks in (
            between(file_blocks(file, archive()), first, last),
            history_blocks(folder, archive(), start=first, end=last),
        )
    ]
    for replays in ours:
        times = np.concatenate([readings.time for readings, _ in replays])
        assert (times[0], times[-1]) == (first, last - 10)
    assert [f for _, f in ours[0]] == [f for _, f in ours[1]]


def test_progress_reaches_the_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(csvfile, "BLOCK_ROWS", 300)
    site, block = archive(), history()
    folder = write_history(tmp_path / "state", site, block)
    csv = write_csv(tmp_path / "scans.csv.gz", HEAD, rows(block))
    parquet = write_parquet(tmp_path / "scans.parquet", block, HEAD[1:])
    sources: list[Callable[[Callable[[float], None]], Iterator[Block]]] = [
        partial(file_blocks, csv, site),
        partial(file_blocks, parquet, site),
        partial(history_blocks, folder, site),
    ]
    for source in sources:
        shares: list[float] = []
        assert len(list(source(shares.append))) == len(shares) > 2
        assert shares == sorted(shares)
        assert shares[-1] == 1.0
