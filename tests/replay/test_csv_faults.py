"""What is wrong with a CSV file is named: where, what stands there, what may."""

from __future__ import annotations

import gzip
import re
from pathlib import Path

import numpy as np
import pytest

from gateway.replay import csvfile
from gateway.replay.csvfile import seconds
from gateway.replay.header import ScansError
from gateway.replay.replay import file_blocks
from tests.replay.scans import START, archive, refs

HEAD = "time,sf-2.ai1_counts,sf-2.ai2_counts\n"
GOOD = HEAD + f"{START},16000,16100\n{START + 1},16000,\n"
PLACES = [refs(archive()).index(f"sf-2.ai{k}_counts") for k in (1, 2)]


def read(folder: Path, text: str | bytes, name: str = "scans.csv") -> list[tuple[float, ...]]:
    """Rows of the two columns, after the time."""
    file = folder / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return [
        (t, v[PLACES[0]], v[PLACES[1]])
        for block in file_blocks(file, archive())
        for t, v in zip(block.time.tolist(), block.values.tolist(), strict=True)
    ]


def faults(folder: Path, text: str | bytes, name: str = "scans.csv") -> list[str]:
    with pytest.raises(ScansError) as caught:
        read(folder, text, name)
    assert str(caught.value).startswith(f"{folder / name}: {len(caught.value.faults)} fault(s)\n")
    assert caught.value.exit_code == 1
    return [str(fault) for fault in caught.value.faults]


def test_a_good_one(tmp_path: Path) -> None:
    got = np.array(read(tmp_path, GOOD))
    np.testing.assert_array_equal(got, [[START, 16000, 16100], [START + 1, 16000, np.nan]])


@pytest.mark.parametrize(
    "text",
    [
        "\ufeff" + GOOD,  # as spreadsheets write it
        GOOD.replace("\n", "\r\n"),
        GOOD.replace("\n", "\n\n"),
        GOOD.replace("time", '"time"').replace("sf-2.ai1_counts", ' "sf-2.ai1_counts"'[1:]),
        GOOD.replace("16000", "1.6e4"),
        GOOD.replace(f"{START}", "2026-06-01T00:00:00Z"),
        GOOD.replace(f"{START}", "2026-06-01 00:00:00"),
        GOOD.replace(f"{START}", "2026-06-01T09:00:00+09:00"),
    ],
)
def test_other_ways_to_write_it(tmp_path: Path, text: str) -> None:
    np.testing.assert_array_equal(read(tmp_path, text), read(tmp_path, GOOD, "good.csv"))


@pytest.mark.parametrize("text", [HEAD, HEAD.strip()])
def test_no_rows_are_no_blocks(tmp_path: Path, text: str) -> None:
    assert read(tmp_path, text) == []


def test_columns_are_faulted_all_at_once_with_the_nearest_name(tmp_path: Path) -> None:
    head = "Time,sf-2.ai1_count,sf-3.ai1_counts,sf-2.ai1_counts,,sf-2.ai1_counts\n"
    first, count, controller, nothing, twice = faults(tmp_path, head)
    assert first == 'column 1: "Time"; allowed: "time", then columns controller.point'
    assert count.startswith('column 2: "sf-2.ai1_count"; allowed: a point of the site')
    assert 'did you mean "sf-2.ai1_counts"' in count
    assert 'did you mean "sf-2.ai1_counts"' in controller
    assert nothing.startswith('column 5: ""; allowed: a point of the site')
    assert twice == 'column 6: "sf-2.ai1_counts"; allowed: each point once: column 4 has it'


def test_a_file_of_something_else_is_told_once(tmp_path: Path) -> None:
    """Not a line for each of its columns, every one with all points of the site."""
    (readings,) = faults(tmp_path, "time,dp-201 [Pa],dp-201 quality,dp-201 reason,stair-b [Pa]\n")
    assert readings == (
        'columns: "dp-201 [Pa]" and 3 more, and no point of the site; allowed: register values, '
        "as `loopwitness export --rows scans` writes"
    )
    (elsewhere,) = faults(tmp_path, "time,x.a,x.b,x.c,x reasons\n")
    assert elsewhere == (
        'columns: "x.a" and 3 more, and no point of the site; allowed: scans of this site file, '
        "columns controller.point; its controllers: sf-2, ahu-1, ef-4"
    )


def test_an_empty_file_has_no_columns(tmp_path: Path) -> None:
    assert faults(tmp_path, "")[0].startswith("column 1: no columns")


def test_time_alone_is_nothing_to_replay(tmp_path: Path) -> None:
    assert faults(tmp_path, "time\n1\n") == [
        "columns: only time; allowed: at least one point of the site"
    ]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("x,1,2", f'line 3, time: "x"; allowed: {csvfile.ALLOWED_TIME}'),
        (",1,2", f'line 3, time: ""; allowed: {csvfile.ALLOWED_TIME}'),
        ("nan,1,2", f'line 3, time: "nan"; allowed: {csvfile.ALLOWED_TIME}'),
        ("1780000000000,1,2", f'line 3, time: "1780000000000"; allowed: {csvfile.ALLOWED_TIME}'),
        ("-1,1,2", f'line 3, time: "-1"; allowed: {csvfile.ALLOWED_TIME}'),
        (
            f"{START + 9},1 2,2",
            'line 3, sf-2.ai1_counts: "1 2"; allowed: a number, or nothing for a failed read',
        ),
        (
            f"{START + 9},1,inf",
            'line 3, sf-2.ai2_counts: "inf"; allowed: a number, or nothing for a failed read',
        ),
        (f"{START + 9},1", "line 3: 2 cells; allowed: 3, as in the header"),
        (f"{START + 9},1,2,3", "line 3: 4 cells; allowed: 3, as in the header"),
    ],
)
def test_a_cell_that_does_not_fit(tmp_path: Path, row: str, said: str) -> None:
    assert faults(tmp_path, HEAD + f"{START},1,2\n{row}\n") == [said]


def test_no_more_faults_are_named_than_a_person_can_read(tmp_path: Path) -> None:
    text = HEAD + "".join(f"{START + k},a,b\n" for k in range(50))
    assert len(faults(tmp_path, text)) == csvfile.FAULTS_NAMED


@pytest.mark.parametrize("size", [1, 2, 3, 99])
@pytest.mark.parametrize("late", [0.0, -1.0, -3600.0])
def test_the_first_time_that_does_not_rise_is_named(
    tmp_path: Path, size: int, late: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also when it comes first in a block."""
    monkeypatch.setattr(csvfile, "BLOCK_ROWS", size)
    times = [START, START + 1, START + 2, START + 2 + late, START + 1]
    (said,) = faults(tmp_path, HEAD + "".join(f"{t},1,2\n" for t in times))
    when = csvfile._iso(START + 2 + late)
    before = "2026-06-01T00:00:02Z"
    assert said == f"line 5: time {when}; allowed: times that rise: the row before is at {before}"


def test_text_that_is_no_utf8(tmp_path: Path) -> None:
    assert faults(tmp_path, GOOD.encode() + b"\xff\xfe") == [
        "file: not UTF-8 text; allowed: CSV in UTF-8"
    ]


def test_quotes_that_do_not_close(tmp_path: Path) -> None:
    (said,) = faults(tmp_path, GOOD + f'"{START + 9},1,2\n')
    assert re.fullmatch(r"line 4: .*; allowed: CSV with commas", said)


def test_a_gzip_file_cut_off(tmp_path: Path) -> None:
    (said,) = faults(tmp_path, gzip.compress(GOOD.encode() * 50)[:-10], "scans.csv.gz")
    assert said.startswith("file: Compressed file ended")


def test_a_gzip_file_that_is_none(tmp_path: Path) -> None:
    (said,) = faults(tmp_path, GOOD, "scans.csv.gz")
    assert said.startswith("file: Not a gzipped file")


def test_a_gzip_file_whose_inside_is_damaged(tmp_path: Path) -> None:
    packed = bytearray(gzip.compress(GOOD.encode() * 50))
    packed[20] ^= 0xFF
    (said,) = faults(tmp_path, bytes(packed), "scans.csv.gz")
    assert said.startswith("file: ")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ScansError, match=r"file: No such file or directory; allowed: a readable"):
        list(file_blocks(tmp_path / "none.csv", archive()))


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("0", 0.0),
        ("1780272000.25", 1_780_272_000.25),
        ("1970-01-01", 0.0),
        ("1970-01-01T00:00:01.5", 1.5),
        (" 1970-01-02T00:00:00Z ", 86_400.0),
        ("1969-12-31T19:00:00-05:00", 0.0),
        ("19700102T000000Z", 86_400.0),
    ],
)
def test_times(cell: str, value: float) -> None:
    """ISO 8601 (from memory: basic and extended form, an offset or Z)."""
    assert seconds(cell) == value
