"""Columns that tell why values are missing, beside those that hold them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from pyarrow import parquet

from gateway.measure.quality import Reason
from gateway.replay.header import ScansError
from gateway.replay.replay import file_blocks
from tests.replay.scans import START, archive, refs, write_csv

COUNTS, FEEDBACK = "sf-2.ai1_counts", "sf-2.feedback"
NAMES = ["time", COUNTS, "sf-2 reasons", FEEDBACK]
CELLS: list[list[object]] = [
    [START, 1.0, "", 50.0],
    [START + 10, None, "stale", None],
    [START + 20, None, "bad-reply: feedback; invalid-value: ai1_counts", None],
    [START + 30, None, "", 50.0],
    [START + 40, None, "no-communication: feedback", 50.0],
]


def scans(folder: Path, cells: list[list[object]], ending: str) -> Path:
    file = folder / f"scans.{ending}"
    if ending == "csv":
        return write_csv(file, NAMES, [["" if c is None else str(c) for c in row] for row in cells])
    table = dict(zip(NAMES, map(list, zip(*cells, strict=True)), strict=True))
    parquet.write_table(pa.table(table), file)
    return file


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_told_reasons_stand_where_values_are_missing(tmp_path: Path, ending: str) -> None:
    (block,) = file_blocks(scans(tmp_path, CELLS, ending), archive())
    at = [refs(archive()).index(name) for name in (COUNTS, FEEDBACK)]
    assert np.isnan(block.values[1, at]).all()
    assert [[Reason(code).name for code in row] for row in block.reasons[:, at].tolist()] == [
        ["NONE", "NONE"],
        ["STALE", "STALE"],
        ["INVALID_VALUE", "BAD_REPLY"],
        ["BAD_REPLY", "NONE"],  # nothing told: guessed, as without the column
        ["BAD_REPLY", "NONE"],  # told of a value that is there: the value counts
    ]
    others = np.delete(np.arange(block.values.shape[1]), at)
    assert (block.reasons[:, others] == Reason.NOT_READ_YET).all(), "not in the file"


@pytest.mark.parametrize(("ending", "place"), [("csv", "line 3"), ("parquet", "row 2")])
def test_a_reason_that_is_none_is_named(tmp_path: Path, ending: str, place: str) -> None:
    cells: list[list[object]] = [CELLS[0], [START + 10, None, "out to lunch", None]]
    with pytest.raises(ScansError) as caught:
        list(file_blocks(scans(tmp_path, cells, ending), archive()))
    (fault,) = caught.value.faults
    assert str(fault).startswith(f'{place}, sf-2 reasons: "out to lunch"; allowed: not-due, ')
