"""One transducer over HTTP: the chain, its live stream's content, its condition."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import partial
from typing import Any

import httpx
import pytest

from gateway.plant.site import Site
from gateway.record.trends import Trend
from gateway.web.app import make_app
from gateway.web.moments import Moments

from .archive import MA, START, archive, open_circuit
from .feeder import Feeder
from .schooled import schooled
from .test_drift import creeping, trend

pytestmark = pytest.mark.slow


async def chain(site: Site, key: str) -> Any:
    feeder = Feeder(site, clock=lambda: START + 0.5)
    feeder.row(START)
    app = make_app(feeder.live, feeder.past(), clock=lambda: START + 0.5)
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
        answer = await client.get(f"/api/v1/transducers/{key}")
    assert answer.status_code == 200, answer.text
    return answer.json()["chain"]


def points(view: Any) -> dict[str, tuple[float, float, float]]:
    """Pressure, mA or V, and counts by what it is."""
    return {
        one["what"]: (one["pressure"], one["electrical"], one["counts"]) for one in view["points"]
    }


async def test_a_bipolar_range_on_milliamps() -> None:
    view = await chain(archive(), "dp-201")
    # -25 to 100 Pa on 4 to 20 mA, 32000 counts at 20 mA: 0 Pa is a fifth of span, 4 + 16 / 5 mA.
    assert points(view) == {
        "lower end of the range": (-25, 4, 6400),
        "ports bridged": (0, 7.2, 11520),
        "middle of the range": (37.5, 12, 19200),
        "upper end of the range": (100, 20, 32000),
        "low limit of stair-b": (25, 10.4, 16640),
        "high limit of stair-b": (80, 17.44, 27904),
    }
    assert view["electrical"] == [4, 20]
    assert view["counts"] == [6400, 32000]
    assert view["ends"] == [0, 20]
    # NE 43 (2003) from secondary texts: failure at or below 3.6 and at or above 21 mA.
    assert (view["bands"]["failure_low"], view["bands"]["failure_high"]) == (3.6, 21)
    # U = 2 x 0.884 Pa of 125 Pa, on 16 mA; a count: 20 mA / 32000.
    assert view["within"] == pytest.approx(0.2263, rel=2e-3)
    assert view["count"] == pytest.approx(0.000625)


async def test_a_range_that_begins_at_zero_on_volts() -> None:
    view = await chain(archive(), "dp-301")
    told = points(view)
    assert told["lower end of the range, ports bridged"] == (0, 0, 0)
    assert told["upper end of the range"] == (2, 10, 4095)
    assert "ports bridged" not in told
    assert view["electrical_unit"] == "V"
    assert "failure_low" not in view["bands"]
    assert {one["shunt_V"] for one in view["points"]} == {None}


async def test_a_shunt_shows_volts_and_an_input_may_stop_short() -> None:
    site = archive()
    card = {"counts": [0, 4000], "electrical": [0, 9], "unit": "V", "shunt_ohm": 500}
    noun = site.transducers["dp-401"].model_dump() | {"input": card}
    view = await chain(archive(transducers={**site.transducers, "dp-401": noun}), "dp-401")
    middle = next(one for one in view["points"] if one["what"] == "middle of the range")
    # 12 mA x 500 ohm = 6 V; 9 V at the input's end is 18 mA.
    assert middle["shunt_V"] == pytest.approx(6.0)
    assert view["ends"] == [0, 18]
    reaches = {one["what"]: one["reaches"] for one in view["points"]}
    assert reaches["middle of the range"] is True
    assert reaches["upper end of the range, ports bridged"] is False


def test_a_moment_has_what_the_others_read(feeder: Feeder) -> None:
    feeder.findings = [open_circuit(START)]
    feeder.broken = {"dp-402"}
    feeder.row(START)
    app = make_app(feeder.live, feeder.past(), clock=lambda: START + 0.5)
    moments: Moments = app.state.sources.moments
    now = moments.transducer("dp-401").transducer
    assert now is not None
    assert [one.id for one in now.peers] == ["dp-402", "dp-403"]
    assert now.findings == []
    assert now.loop_names == ["Exhaust plenum"]
    broken = moments.transducer("dp-402").transducer
    assert broken is not None
    assert [f.fault for f in broken.findings] == ["open-circuit"]
    latest = feeder.live.latest
    assert latest is not None
    alone = moments.transducer("dp-201").transducer
    assert alone is not None
    assert alone.others == pytest.approx(float(latest.readings.pressure[0, 1]), rel=1e-5)


def test_a_difference_of_two_places_has_no_others() -> None:
    site = archive()
    stair = site.loops["stair-b"].model_copy(update={"combine": "difference"})
    feeder = Feeder(archive(loops={"stair-b": stair}), clock=lambda: START)
    app = make_app(feeder.live, feeder.past(), clock=lambda: START)
    assert app.state.sources.moments.transducer("dp-201").transducer is None  # no row yet


def past_of(series: dict[str, Trend]) -> Any:
    """Trends by name of the series."""
    return lambda names, _start, _end, _buckets: [series[name] for name in names]


async def test_condition_in_the_unit_of_the_transducer() -> None:
    feeder = Feeder(archive(), clock=lambda: START + 0.5)
    feeder.row(START)
    feeder.live.learnt = schooled(feeder.live.site)
    time, creep = creeping(8.0 * 249.08891, 0.0, seed=3)  # 8 inH2O a year: NIST SP 811 B.8
    flat = [0.0] * len(time)
    series = {
        "transducer/dp-301": trend(creep.tolist(), every=21_600.0),
        "transducer/dp-302": trend(flat, every=21_600.0),
        "loop/ahu-1-supply/running": trend([1.0] * len(time), every=21_600.0),
    }  # fmt: skip
    past = feeder.past().__class__(**{**vars(feeder.past()), "trends": past_of(series)})
    app = make_app(feeder.live, past, clock=lambda: float(time[-1]))
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
        view = (await client.get("/api/v1/transducers/dp-301/condition?days=90")).json()
        refusal = await client.get("/api/v1/transducers/dp-301/condition?days=0")
        nobody = await client.get("/api/v1/transducers/dp-999/condition")
    assert (view["unit"], view["loop"], view["others"]) == ("inH2O", "ahu-1-supply", ["dp-302"])
    assert view["tolerance"] == pytest.approx(0.04)  # 2 % of 2 inH2O
    assert view["usual"] == pytest.approx(0.008, rel=0.05)  # 0.4 % of span, see schooled.py
    assert view["drift"]["per_year"] == pytest.approx(8.0, rel=0.02)
    assert view["drift"]["low"] < 8.0 < view["drift"]["high"]
    assert view["drift"]["real"] is True
    assert len(view["time"]) == len(view["offset"]) <= 400
    assert sum(value is not None for value in view["offset"]) == len(time)
    assert refusal.status_code == 422
    assert nobody.status_code == 404


async def test_the_day_of_leaving_the_tolerance_is_counted_from_the_last_offset() -> None:
    """The same day, whether it is asked on day 90 or, the fan standing since, on day 110.

    30 Pa a year reach 2 % of 2 inH2O (498.178 Pa, NIST SP 811 B.8) after 121.3 days.
    """
    time, creep = creeping(30.0, 0.0, seed=3)
    series = {
        "transducer/dp-301": trend(creep.tolist(), every=21_600.0),
        "transducer/dp-302": trend([0.0] * len(time), every=21_600.0),
        "loop/ahu-1-supply/running": trend([1.0] * len(time), every=21_600.0),
    }
    for asked in (90, 110):
        feeder = Feeder(archive(), clock=lambda: START + 0.5)
        feeder.row(START)
        past = feeder.past().__class__(**{**vars(feeder.past()), "trends": past_of(series)})
        app = make_app(feeder.live, past, clock=partial(float, START + asked * 86_400))
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
            address = "/api/v1/transducers/dp-301/condition?days=120"
            drift = (await client.get(address)).json()["drift"]
        leaves = datetime.fromisoformat(drift["leaves"]).timestamp()
        wanted = 0.02 * 2 * 249.08891 / 30 * 365.25
        assert (leaves - START) / 86_400 == pytest.approx(wanted, abs=3)


async def test_condition_of_one_alone() -> None:
    site = archive()
    lone = site.loops["stair-b"].model_copy(
        update={"transducers": ("dp-201",), "combine": "single"}
    )
    feeder = Feeder(archive(loops={"stair-b": lone}), clock=lambda: START + 0.5)
    series = {
        "transducer/dp-201": trend([50.0, 0.2, 51.0]),
        "loop/stair-b/running": trend([1.0, 0.0, 1.0]),
    }
    checked: list[list[str]] = []

    def spans(keys: Sequence[str]) -> list[tuple[float, float]]:
        checked.append(list(keys))
        return [(START + 100, START + 200)]

    asked = {"trends": past_of(series), "checked": spans}
    past = feeder.past().__class__(**{**vars(feeder.past()), **asked})
    app = make_app(feeder.live, past, clock=lambda: START + 10_800)
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
        view = (await client.get("/api/v1/transducers/dp-201/condition?days=1")).json()
    assert checked == [["dp-201"]]
    assert (view["loop"], view["others"], view["drift"]) == (None, [], None)
    assert view["offset"] == [None, None, None]
    assert view["rest"] == [None, 0.2, None]
    assert view["scatter"] == [None, None, 0.0], "there was a check in the first hour"


def test_milliamps_of_the_archive_are_as_assumed() -> None:
    assert MA == {"counts": [0, 32000], "electrical": [0, 20], "unit": "mA"}
