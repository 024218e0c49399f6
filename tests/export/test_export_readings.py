"""Readings go out in display units with quality and reason in words, as they were recorded."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from pyarrow import parquet

from gateway.export.readings import NOT_KNOWN
from gateway.measure.measure import Measure
from gateway.measure.quality import WORDS, Quality, Reason
from gateway.plant.site import Site
from gateway.plant.units import PASCALS
from gateway.record.store import open_store
from tests.export.kept import SECONDS, START, cells, column, exported, recorded
from tests.record.made import plant
from tests.sites import block, transducer
from tests.sites import site as small_site

pytestmark = pytest.mark.slow


def plant_in_inches() -> Site:
    """The first loop in another unit than its transducers."""
    here = plant(third=True)
    loops = {**here.loops, "stair": here.loops["stair"].model_copy(update={"unit": "inH2O"})}
    return here.model_copy(update={"loops": loops})


def test_values_qualities_and_reasons(tmp_path: Path) -> None:
    here, _, readings = recorded(tmp_path, plant_in_inches())
    found = cells(exported(tmp_path, here, "readings", "all.csv"))
    assert len(found) == SECONDS
    assert found[1]["time"] == "2026-05-28T20:30:01.000Z"
    shown = [float(text) if text else np.nan for text in column(found, "p1 [Pa]")]
    assert np.allclose(shown, readings.pressure[:, 0], rtol=1e-6, equal_nan=True)
    inches = [float(t) if t else np.nan for t in column(found, "stair combined [inH2O]")]
    pascals = np.array(inches) * PASCALS["inH2O"]
    assert np.allclose(pascals, readings.combined[:, 0], rtol=1e-6, equal_nan=True)
    words = [Quality(code).name.lower() for code in readings.quality[:, 0].tolist()]
    assert column(found, "p1 quality") == words
    assert column(found, "p1 reason") == [WORDS[Reason(r)] for r in readings.reasons[:, 0].tolist()]
    whys = set(column(found, "stair combined reason"))
    assert whys == {"", WORDS[Reason.MEMBER]}
    assert set(column(found, "stair running quality")) == {"good", "bad"}
    assert NOT_KNOWN not in {text for row in found for text in row.values()}


def test_parquet_carries_units_and_the_site(tmp_path: Path) -> None:
    here, _, readings = recorded(tmp_path)
    file = exported(tmp_path, here, "readings", "one.parquet", transducers=["p2"])
    table = parquet.read_table(file)
    assert table.column_names == ["time", "p2 [Pa]", "p2 quality", "p2 reason"]
    assert np.array_equal(table["p2 [Pa]"].to_numpy(), readings.pressure[:, 1], equal_nan=True)
    when = table["time"][0].as_py()
    assert (when.timestamp(), when.utcoffset().total_seconds()) == (START, 0)
    assert table.schema.field("p2 [Pa]").metadata[b"unit"] == b"Pa"
    about = json.loads(table.schema.metadata[b"loopwitness"])
    assert about["site"]["id"] == "test"
    assert list(about["transducers"]) == ["p2"]
    assert about["transducers"]["p2"]["range"] == [-25, 100]
    assert about["reasons"][WORDS[Reason.STALE]] == "bad"


def test_beside_a_csv_file_lies_what_describes_it(tmp_path: Path) -> None:
    here, _, _ = recorded(tmp_path)
    file = exported(tmp_path, here, "readings", "one.csv", loops=["lobby"], start=str(START))
    about = json.loads((tmp_path / "one.csv-metadata.json").read_text(encoding="utf-8"))
    assert about["@context"] == "http://www.w3.org/ns/csvw"
    assert about["url"] == file.name
    columns = about["tableSchema"]["columns"]
    assert [c["titles"] for c in columns] == list(cells(file)[0])
    assert columns[1]["schema:unitText"] == "Pa"
    (notes,) = about["notes"]
    assert notes["from"] == "2026-05-28T20:30:00.000Z"
    assert notes["to"] is None
    assert list(notes["loops"]) == ["lobby"]
    datetime.fromisoformat(notes["made"])


def test_where_the_site_file_has_changed_the_reason_is_not_known(tmp_path: Path) -> None:
    here, _, readings = recorded(tmp_path)
    wide = here.transducers["p1"].model_copy(
        update={"input": here.transducers["p1"].input.model_copy(update={"counts": (0, 3000)})}
    )
    changed = here.model_copy(update={"transducers": {**here.transducers, "p1": wide}})
    found = cells(exported(tmp_path, changed, "readings", "p1.csv", transducers=["p1"]))
    words = [Quality(code).name.lower() for code in readings.quality[:, 0].tolist()]
    assert column(found, "p1 quality") == words, "as recorded"
    good = [row["p1 reason"] for row in found if row["p1 quality"] == "good"]
    assert set(good) == {NOT_KNOWN}


def test_what_was_held_before_the_span_is_known(tmp_path: Path) -> None:
    points = {"c1": {"table": "input", "address": 0}}
    slow = {"a": {"host": "127.0.0.1", "interval_s": 60, "points": points}}
    here = small_site({"p1": transducer("a.c1")}, {}, slow)
    values = np.full(100, np.nan)
    values[0] = 12000
    rows = block(here, {"a.c1": values}, start=START, reason=Reason.NOT_DUE)
    with open_store(tmp_path, here) as store:
        store.write([(rows, Measure(here).examine(rows))])
    found = cells(exported(tmp_path, here, "readings", "p1.csv", start=str(START + 50)))
    assert len(found) == 50
    assert {(row["p1 quality"], row["p1 reason"]) for row in found} == {("good", "")}
