"""What the page is given to draw."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gateway.diagnose.findings import Finding
from gateway.errors import StartError
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.plant.units import PASCALS
from gateway.replay.plot import page, plot_data, write_plot
from gateway.replay.trace import Trace
from tests.record.made import finding
from tests.replay.scans import START, archive, history

pytestmark = pytest.mark.slow


def traced(site: Site) -> Trace:
    trace = Trace()
    trace.add(Measure(site).examine(history()))
    return trace


def at(seconds: float, phase: str = "raised", **changes: Any) -> Finding:
    known = {"subject": "dp-301", "loops": ("ahu-1-supply",)} | changes
    return replace(finding("x", phase), time=START + seconds, since=START, **known)


def data_in(text: str) -> dict[str, Any]:
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    assert found
    data: dict[str, Any] = json.loads(found[1])
    return data


def test_series_are_in_each_loops_unit() -> None:
    site = archive()
    data = plot_data(site, traced(site), [])
    assert [loop["id"] for loop in data["loops"]] == list(site.loops)
    readings = Measure(site).examine(history())
    for loop in data["loops"]:
        one = loop["series"][0]
        assert one["name"] == site.loops[loop["id"]].transducers[0]
        pressure = readings.pressure[:, list(site.transducers).index(one["name"])]
        low, high = np.nanmin(pressure), np.nanmax(pressure)
        unit = PASCALS[site.loop_unit(loop["id"])]
        assert min(v for v in one["low"] if v is not None) == pytest.approx(low / unit, rel=1e-4)
        assert max(v for v in one["high"] if v is not None) == pytest.approx(high / unit, rel=1e-4)
        names = [s["name"] for s in loop["series"]]
        members = list(site.loops[loop["id"]].transducers)
        assert names == [*members, "combined", "feedback", "set point"]
        assert all(len(s[k]) == len(data["time"]) for s in loop["series"] for k in ("low", "mean"))


def test_findings_are_spans_in_their_loops() -> None:
    site = archive()
    findings = [at(60), at(90, "cleared"), at(600), at(700, subject="z", loops=())]
    data = plot_data(site, traced(site), findings)
    loop = next(one for one in data["loops"] if one["id"] == "ahu-1-supply")
    spans: list[Mapping[str, Any]] = loop["findings"]
    end = float(history().time[-1])
    assert [(s["from"] - START, s["open"]) for s in spans] == [(600, True)]
    assert spans[0]["to"] >= end
    assert [s["subject"] for s in data["elsewhere"]] == ["z"]
    assert all(one["findings"] == [] for one in data["loops"] if one is not loop)


def test_a_finding_that_cleared_ends_there() -> None:
    site = archive()
    data = plot_data(site, traced(site), [at(60), at(90, "cleared")])
    loop = next(one for one in data["loops"] if one["id"] == "ahu-1-supply")
    (span,) = loop["findings"]
    assert (span["from"], span["to"], span["open"]) == (START + 60, START + 90, False)


def test_no_text_of_the_site_can_end_the_script_or_be_a_mark() -> None:
    site = archive()
    evil = "</script><script>alert(1)</script> %DATA% %SCRIPT%"
    loop = site.loops["stair-b"].model_copy(update={"name": evil})
    name = site.site.model_copy(update={"name": evil})
    site = site.model_copy(update={"loops": {**site.loops, "stair-b": loop}, "site": name})
    text = page(site, traced(site), [at(60, title=evil)])
    assert "<script>alert" not in text
    assert data_in(text)["loops"][0]["name"] == evil
    assert text.count("<script") == 2


def test_the_page_needs_nothing_else() -> None:
    """No address but the ones that name a standard, and no import."""
    text = page(archive(), traced(archive()), [])
    assert not re.search(r"(src|href)=(?!\"data:,\")|url\(|https?://|\bimport\b|fetch\(", text)


def test_no_rows_make_a_page_too() -> None:
    data = data_in(page(archive(), Trace(), []))
    assert data["time"] == []
    assert [loop["series"] for loop in data["loops"]] == [[], [], []]


@pytest.mark.parametrize("name", ["plot.png", "plot"])
def test_a_name_that_is_no_page(tmp_path: Path, name: str) -> None:
    with pytest.raises(StartError, match=r"allowed: a file that ends in \.html"):
        write_plot(tmp_path / name, archive(), Trace(), [])


def test_a_page_that_cannot_be_written(tmp_path: Path) -> None:
    with pytest.raises(StartError, match="No such file or directory; allowed: a file that can be"):
        write_plot(tmp_path / "none" / "p.html", archive(), Trace(), [])
