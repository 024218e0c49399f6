"""What is wrong with a Parquet file is named, and so is the extra when it is missing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from pyarrow import parquet

from gateway.errors import StartError
from gateway.replay import csvfile, parquetfile
from gateway.replay.header import ScansError
from gateway.replay.replay import file_blocks
from tests.replay.scans import START, archive

COUNTS = "sf-2.ai1_counts"


def faults(folder: Path, columns: dict[str, Any]) -> list[str]:
    file = folder / "scans.parquet"
    parquet.write_table(pa.table(columns), file, row_group_size=2)
    with pytest.raises(ScansError) as caught:
        list(file_blocks(file, archive()))
    return [str(fault) for fault in caught.value.faults]


def test_without_the_extra_the_error_names_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parquetfile, "parquet", None)
    with pytest.raises(StartError, match=r"needs pyarrow.*pip install \"loopwitness\[parquet\]\""):
        list(file_blocks(tmp_path / "scans.parquet", archive()))


def test_columns_are_faulted_all_at_once(tmp_path: Path) -> None:
    said = faults(tmp_path, {"when": [START], "sf-2.ai1_count": [1], COUNTS: [2]})
    assert [s.partition(":")[0] for s in said] == ["column 1", "column 2"]
    assert f'did you mean "{COUNTS}"' in said[1]


def test_a_column_of_words(tmp_path: Path) -> None:
    assert faults(tmp_path, {"time": [START], COUNTS: ["1"]}) == [
        f"column 2: {COUNTS} is of type string; allowed: numbers, null for a failed read"
    ]


def test_a_time_of_another_type(tmp_path: Path) -> None:
    assert faults(tmp_path, {"time": [True], COUNTS: [1]}) == [
        f"column 1: time is of type bool; allowed: {csvfile.ALLOWED_TIME}"
    ]


@pytest.mark.parametrize(
    ("times", "value"),
    [
        (pa.array([START, None, START + 2]), "None"),
        (pa.array([START, float("inf"), START + 2]), "inf"),
        (pa.array([int(START), int(START) * 1000, 3]), str(int(START) * 1000)),
        (pa.array(["2026-06-01", "June", "2026-06-03"]), '"June"'),
        (pa.array([1, None, 3], pa.timestamp("s")), "None"),
    ],
)
def test_a_time_that_is_none(tmp_path: Path, times: Any, value: str) -> None:
    said = faults(tmp_path, {"time": times, COUNTS: [1, 2, 3]})
    assert said == [f"row 2, time: {value}; allowed: {csvfile.ALLOWED_TIME}"]


@pytest.mark.parametrize("size", [1, 2, 9])
def test_the_first_time_that_does_not_rise(
    tmp_path: Path, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(csvfile, "BLOCK_ROWS", size)
    (said,) = faults(tmp_path, {"time": [START, START + 1, START + 1], COUNTS: [1, 2, 3]})
    assert said.startswith("row 3: time 2026-06-01T00:00:01Z; allowed: times that rise")


def test_a_value_without_end(tmp_path: Path) -> None:
    said = faults(tmp_path, {"time": [START, START + 1], COUNTS: [1.0, float("-inf")]})
    assert said == [f"row 2, {COUNTS}: -inf; allowed: a finite number or null"]


def test_integers_booleans_and_nothing_are_numbers(tmp_path: Path) -> None:
    table = pa.table({
        "time": [int(START), int(START) + 1],
        COUNTS: pa.array([16000, None], pa.uint16()),
        "sf-2.running": [True, False],
        "sf-2.setpoint": pa.nulls(2),
    })  # fmt: skip
    parquet.write_table(table, tmp_path / "scans.parquet")
    (block,) = file_blocks(tmp_path / "scans.parquet", archive())
    points = list(archive().controllers["sf-2"].points)
    first, second = block.values.tolist()
    assert first[points.index("ai1_counts")] == 16000
    assert second[points.index("ai1_counts")] != second[points.index("ai1_counts")]
    assert [first[points.index("running")], second[points.index("running")]] == [1.0, 0.0]


@pytest.mark.parametrize("content", [b"", b"time,x\n1,2\n", b"PAR1" + bytes(40)])
def test_a_file_that_is_no_parquet(tmp_path: Path, content: bytes) -> None:
    file = tmp_path / "scans.parquet"
    file.write_bytes(content)
    with pytest.raises(ScansError, match=r"file: .*; allowed: a"):
        list(file_blocks(file, archive()))


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ScansError, match="No such file or directory"):
        list(file_blocks(tmp_path / "none.parquet", archive()))
