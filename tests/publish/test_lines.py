"""Line protocol, read back by a parser written for the test from the published grammar.

Grammar: InfluxDB line protocol reference (from memory): measurement and tags escape comma and
space, tags also the equals sign; fields are floats or integers ending in i; one line a record.
"""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.measure.blocks import Readings
from gateway.measure.columns import columns
from gateway.publish.lines import escaped, lines
from gateway.record import history
from gateway.record.history import Rows
from gateway.record.store import open_store
from tests.publish.made import START, plant, rows

HERE = plant()
Parsed = tuple[str, dict[str, str], dict[str, float], int]


def split(text: str, mark: str) -> list[str]:
    """Split at marks that have an even number of backslashes before them."""
    parts, part, held = [], "", False
    for character in text:
        if held:
            part, held = part + character, False
        elif character == "\\":
            held = True
            part += character
        elif character == mark:
            parts.append(part)
            part = ""
        else:
            part += character
    return [*parts, part]


def parse(line: str) -> Parsed:
    head, fields, time = split(line, " ")
    measurement, *tags = split(head, ",")
    named = dict(split(tag, "=") for tag in tags)
    read: dict[str, float] = {}
    for field in split(fields, ","):
        name, value = split(field, "=")
        assert re.fullmatch(r"-?\d+(\.\d+)?(e[+-]?\d+)?|-?\d+i", value), line
        read[name] = float(value.removesuffix("i"))
    assert re.fullmatch(r"\d{13}", time), "milliseconds"
    plain = {key: re.sub(r"\\(.)", r"\1", value) for key, value in named.items()}
    return measurement, plain, read, int(time)


def stored(count: int, seed: int = 0) -> tuple[Rows, Readings]:
    block, means = rows(HERE, count, seed=seed)
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder), HERE) as store:
        store.write([(block, means)])
        with history.reader(store.file) as reader:
            got = history.rows_after(reader, 0, count)
    assert got is not None
    return got, means


def test_every_reading_is_there_and_nothing_else() -> None:
    got, means = stored(40)
    parsed = [parse(line) for line in lines("harbour-archive", got, columns(HERE))]
    assert len(parsed) == 40 * 3
    for measurement, tags, fields, time in parsed:
        row = round(time / 1000 - START)
        assert tags["site"] == "harbour-archive"
        wanted: dict[str, float]
        if measurement == "transducer":
            column = ["p1", "p2"].index(tags["transducer"])
            wanted = {
                name: float(getattr(means, name)[row, column]) for name in ("pressure", "quality")
            }
            held = np.isnan(means.counts[row, column])
            assert ("counts" in fields) == ("electrical" in fields) == (not held)
            if not held:
                wanted["counts"] = float(means.counts[row, column])
                wanted["electrical"] = float(means.electrical[row, column])
        else:
            assert (measurement, tags["loop"]) == ("loop", "stair")
            names = ("combined", "feedback", "setpoint", "output", "running")
            wanted = {name: float(getattr(means, name)[row, 0]) for name in names}
            wanted["quality"] = float(means.combined_quality[row, 0])
        assert fields == {name: value for name, value in wanted.items() if np.isfinite(value)}


def test_readme_names_every_measurement_tag_and_field() -> None:
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    section = text.partition("### To a time-series server")[2].partition("\n### ")[0]
    got, _ = stored(40)
    parsed = [parse(line) for line in lines("harbour-archive", got, columns(HERE))]
    for kind in ("transducer", "loop"):
        (told,) = (row for row in section.splitlines() if row.startswith(f"| `{kind}` |"))
        of_kind = [(tags, fields) for measurement, tags, fields, _ in parsed if measurement == kind]
        names = {name for pair in of_kind for part in pair for name in part}
        assert set(re.findall(r"`(\w+)`", told)) == names


def test_order_of_each_series_is_that_of_time() -> None:
    got, _ = stored(10)
    parsed = [parse(line) for line in lines("s", got, columns(HERE))]
    for subject in ("p1", "p2"):
        times = [p[3] for p in parsed if p[1].get("transducer") == subject]
        assert times == sorted(times)


def test_transducer_gone_from_the_site_file_still_goes_without_counts() -> None:
    got, _ = stored(1)
    later = HERE.model_copy(update={"transducers": {"p1": HERE.transducers["p1"]}, "loops": {}})
    parsed = [parse(line) for line in lines("s", got, columns(later))]
    assert [p[1].get("transducer") for p in parsed] == ["p1", "p2", None]
    assert "counts" not in parsed[1][2]


@given(st.text(min_size=1).filter(lambda t: t.splitlines() == [t]))
def test_any_tag_comes_back(tag: str) -> None:
    measurement, tags, fields, time = parse(f"m,site={escaped(tag)} v=1.5 1780000000000")
    assert tags == {"site": tag}
    assert (measurement, fields, time) == ("m", {"v": 1.5}, 1_780_000_000_000)


def test_a_line_break_cannot_begin_a_second_line() -> None:
    assert "\n" not in escaped("a\nb\r\nc")


@pytest.mark.parametrize("number", [1e-300, -1.5e22, 0.1, 5e-324])
def test_floats_keep_every_bit(number: float) -> None:
    got, _ = stored(1)
    values = got.values.copy()
    values[:] = number
    changed = Rows(got.layout, got.time_ms, values, got.qualities, got.points)
    fields = parse(lines("s", changed, columns(HERE))[0])[2]
    assert fields["pressure"] == number
