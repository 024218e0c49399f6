"""Trends: from a real history file through the interface; times; the common axis."""

from __future__ import annotations

from pathlib import Path

import httpx
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.measure.blocks import Block
from gateway.record.store import open_store
from gateway.record.trends import Trend
from gateway.web.app import make_app
from gateway.web.past import stored
from gateway.web.refusals import RefusalError
from gateway.web.trends import beside, seconds, series_view

from .archive import START, archive, open_circuit
from .feeder import Feeder, moving, readings


def written(folder: Path, rows: int) -> Path:
    """A history file with a row a second from START, and one finding."""
    site = archive()
    points = sum(len(c.points) for c in site.controllers.values())
    with open_store(folder, site, events=False) as store:
        pairs = []
        for k in range(rows):
            t = START + k
            block = Block(
                np.array([t]), np.zeros((1, points)), np.zeros((1, points), dtype=np.uint8)
            )
            pairs.append((block, readings(site, t, moving(site, t))))
        store.write(pairs, [open_circuit(START + 3)])
        return store.file


async def ask(file: Path, query: str) -> httpx.Response:
    app = make_app(Feeder(archive()).live, stored(file), clock=lambda: START + 60)
    async with httpx.AsyncClient(
        transport=httpx.ASGITransport(app), base_url="http://gateway"
    ) as client:
        return await client.get(f"/api/v1/{query}")


async def test_every_row_in_display_units(tmp_path: Path) -> None:
    file = written(tmp_path, 30)
    answer = (
        await ask(file, "history?series=transducer/dp-301&series=loop/stair-b/combined")
    ).json()
    assert answer["time"] == [START + k for k in range(30)]
    assert (answer["from_s"], answer["to_s"]) == (START - 540, START + 60)
    duct, stair = answer["series"]
    assert (duct["unit"], stair["unit"]) == ("inH2O", "Pa")
    site = archive()
    expected = [moving(site, START + k)[2] / 249.08891 for k in range(30)]  # NIST SP 811 B.8
    assert duct["mean"] == pytest.approx(expected, rel=1e-5)
    assert duct["min"] == duct["mean"] == duct["max"]
    assert duct["count"] == [1] * 30
    assert set(duct["quality"]) == {"good"}
    assert duct["width_s"] == 0


async def test_buckets_hold_minimum_and_maximum(tmp_path: Path) -> None:
    file = written(tmp_path, 30)
    query = f"history?series=transducer/dp-201&from={START}&to={START + 30}&buckets=3"
    series = (await ask(file, query)).json()["series"][0]
    site = archive()
    values = np.array([moving(site, START + k)[0] for k in range(30)]).reshape(3, 10)
    assert series["width_s"] == 10
    assert series["count"] == [10, 10, 10]
    assert series["min"] == pytest.approx(values.min(axis=1), rel=1e-5)
    assert series["mean"] == pytest.approx(values.mean(axis=1), rel=1e-5)
    assert series["max"] == pytest.approx(values.max(axis=1), rel=1e-5)
    assert series["deviation"] == pytest.approx(values.std(axis=1), rel=1e-5)


async def test_a_span_without_rows_is_empty(tmp_path: Path) -> None:
    answer = await ask(written(tmp_path, 2), "history?series=transducer/dp-201&from=100&to=200")
    assert answer.status_code == 200
    assert answer.json()["series"][0]["mean"] == []


async def test_findings_of_the_journal(tmp_path: Path) -> None:
    file = written(tmp_path, 5)
    found = (await ask(file, f"findings?from={START}")).json()
    assert [(f["fault"], f["time"]) for f in found] == [
        ("open-circuit", "2026-05-28T20:26:43.000Z")
    ]
    assert (await ask(file, f"findings?from={START + 4}")).json() == []


async def test_a_history_that_is_not_there(tmp_path: Path) -> None:
    answer = await ask(tmp_path / "history.sqlite3", "history?series=transducer/dp-201")
    assert answer.status_code == 503
    assert answer.json()["faults"][0]["path"] == "history"


@pytest.mark.parametrize(
    "text",
    [
        "1780000000",
        "2026-05-28T20:26:40Z",
        "2026-05-28T20:26:40",
        "2026-05-28T22:26:40+02:00",
        "20260528T202640Z",
    ],
)
def test_times_that_mean_the_same(text: str) -> None:
    assert seconds(text, "query.from") == 1_780_000_000  # date -u -d @1780000000


@given(st.text(max_size=30))
def test_any_other_text_is_refused_in_words(text: str) -> None:
    refused: RefusalError | None = None
    try:
        value = seconds(text, "query.from")
    except RefusalError as refusal:
        refused = refusal
    if refused is None:
        assert 0 <= value < 253402300800
    else:
        assert refused.status == 422
        assert "ISO 8601" in refused.fault.allowed


def line(times: list[int]) -> Trend:
    at = np.array(times, dtype=np.float64)
    one = np.ones(len(at))
    good = np.zeros(len(at), dtype=np.uint8)
    return Trend(at, one.astype(np.int64), at * 2, at * 2, at * 2, at * 0, good, 0.0)


TIMES = st.lists(st.integers(0, 50), unique=True, max_size=20).map(sorted)


@given(TIMES, TIMES)
def test_side_by_side_nothing_is_lost_or_moved(first: list[int], second: list[int]) -> None:
    trends = [line(first), line(second)]
    time = beside(trends)
    assert time.tolist() == sorted({*first, *second})
    for times, trend in zip((first, second), trends, strict=True):
        view = series_view("x", "Pa", 2.0, trend, time)
        shown = {t: v for t, v in zip(time.tolist(), view.mean, strict=True) if v is not None}
        assert shown == {t: float(t) for t in times}
        assert [q == "good" for q in view.quality] == [t in times for t in time.tolist()]


@pytest.mark.parametrize(("accepts", "packing"), [("gzip, br", "gzip"), ("identity", None)])
async def test_long_answers_are_packed_for_who_can_unpack_them(
    tmp_path: Path, accepts: str, packing: str | None
) -> None:
    app = make_app(Feeder(archive()).live, stored(written(tmp_path, 30)), clock=lambda: START + 60)
    async with httpx.AsyncClient(
        transport=httpx.ASGITransport(app), base_url="http://gateway"
    ) as client:
        answer = await client.get(
            "/api/v1/history?series=transducer/dp-201", headers={"Accept-Encoding": accepts}
        )
    assert answer.headers.get("content-encoding") == packing
    assert answer.headers["vary"] == "Accept-Encoding"
    assert len(answer.json()["time"]) == 30
