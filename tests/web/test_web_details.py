"""One loop or transducer in detail: uncertainty, what it hides, what was learnt."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from .archive import START
from .feeder import Feeder
from .schooled import GAIN, NOISE, OFFSET, OUTPUT, REST, schooled

pytestmark = pytest.mark.slow


async def got(client: httpx.AsyncClient, path: str) -> Any:
    answer = await client.get(f"/api/v1/{path}")
    assert answer.status_code == 200, answer.text
    return answer.json()


async def test_uncertainty_is_in_the_transducers_own_unit(
    client: httpx.AsyncClient, feeder: Feeder
) -> None:
    feeder.row(START)
    u = (await got(client, "transducers/dp-301"))["uncertainty"]
    # Worked by hand: 2 in of span, 1 %, 0.05 %/K over 10 K, 0.5 % in the year that is counted
    # without a date: limits .02, .01, .01 in, each over sqrt 3; 2/4095 in a count over sqrt 12.
    assert u["unit"] == "inH2O"
    assert u["accuracy"] == pytest.approx(0.011547, rel=1e-4)
    assert u["thermal"] == u["stability"] == pytest.approx(0.0057735, rel=1e-4)
    assert u["resolution"] == pytest.approx(2 / 4095 / 12**0.5, rel=1e-4)
    assert u["standard"] == pytest.approx(0.0141428, rel=1e-4)
    assert u["expanded"] == pytest.approx(2 * 0.0141428, rel=1e-4)
    assert (u["calibrated"], u["years"], u["coverage"]) == (None, 1, 2)


async def test_what_a_transducer_and_its_loop_hide(
    client: httpx.AsyncClient, feeder: Feeder
) -> None:
    feeder.row(START)
    duct = await got(client, "loops/ahu-1-supply")
    hidden = {h["fault"]: h for h in duct["transducers"][0]["hidden"]}
    assert hidden["open-circuit"]["extent"] == "partly"
    assert hidden["open-circuit"]["title"] == "Open circuit: no signal at all"
    assert "believable 0 inH2O" in hidden["open-circuit"]["why"]
    assert hidden["range-mismatch"]["extent"] == "never"
    assert "combination-mismatch" in {h["fault"] for h in duct["hidden"]}
    alone = await got(client, "transducers/dp-301")
    assert alone["hidden"] == duct["transducers"][0]["hidden"]


async def test_nothing_learnt_yet(client: httpx.AsyncClient, feeder: Feeder) -> None:
    feeder.row(START)
    learnt = (await got(client, "loops/stair-b"))["learnt"]
    assert learnt["reset"] == 'loopwitness relearn stair-b --reason "what was done"'
    assert learnt["pressure_per_output_squared"] is None
    assert (learnt["full_hours"], learnt["enough_hours"]) == (168, 2)
    for one in learnt["transducers"]:
        empty = {k for k, v in one.items() if v is None}
        assert empty == set(one) - {"id", "unit", "running_hours", "stopped_hours", "in_use"}
        assert not one["in_use"]
    assert (await got(client, "transducers/dp-201"))["noise"] is None


async def test_what_was_learnt_comes_out_as_it_went_in(
    client: httpx.AsyncClient, feeder: Feeder
) -> None:
    feeder.live.learnt = schooled(feeder.live.site, running=600, stopped=30)
    feeder.row(START)
    duct = await got(client, "loops/ahu-1-supply")
    first, second = duct["learnt"]["transducers"]
    assert (first["id"], first["unit"], first["in_use"]) == ("dp-301", "inH2O", True)
    assert (first["running_hours"], first["stopped_hours"]) == (10, 0.5)
    # START is 2026-05-28T20:26:40Z; ten hours of minutes end there.
    assert (first["since"], first["until"]) == (
        "2026-05-28T10:27:40.000Z",
        "2026-05-28T20:26:40.000Z",
    )
    # 2 in of span; the mean of 600 minutes that scatter by 0.1 % of it is known to 0.004 %.
    assert first["offset"] == pytest.approx(2 * OFFSET, abs=2 * 0.0002)
    assert second["offset"] == pytest.approx(0, abs=2 * 0.0002)
    assert first["scatter"] == pytest.approx(2 * 0.001, rel=0.1)
    assert first["noise"] == pytest.approx(2 * NOISE, rel=1e-5)
    assert first["gain"] == GAIN
    assert 0 <= first["correlation"] < 0.15
    assert first["offset_by_output"] == 0
    assert 0 < first["swing"] < 2 * 0.003
    assert first["at_rest"] == pytest.approx(2 * REST, rel=1e-5)
    assert first["at_rest_offset"] == pytest.approx(0, abs=2 * 0.001)
    # The set point, 1.1 in, over the squared output; the output scatters by 1 in 38.2, so its
    # square by 5.2 %.
    assert duct["learnt"]["pressure_per_output_squared"] == pytest.approx(1.1 / OUTPUT**2, rel=0.01)
    assert duct["learnt"]["pressure_per_output_squared_percent"] == pytest.approx(5.2, rel=0.15)
    assert duct["learnt"]["output_unit"] == "Hz"
    noise = (await got(client, "transducers/dp-301"))["noise"]
    assert noise == first["noise"]


async def test_a_renewed_picture_is_read_anew(client: httpx.AsyncClient, feeder: Feeder) -> None:
    feeder.row(START)
    for minutes in (60, 180):
        feeder.live.learnt = schooled(feeder.live.site, running=minutes)
        learnt = (await got(client, "loops/stair-b"))["learnt"]["transducers"][0]
        assert learnt["running_hours"] == minutes / 60
        assert learnt["in_use"] is (minutes >= 120)
        assert learnt["at_rest"] is None


async def test_lists_and_stream_stay_short(client: httpx.AsyncClient, feeder: Feeder) -> None:
    """What stands still is told for one subject at a time, not every second for all."""
    feeder.row(START)
    for path in ("loops", "transducers"):
        for one in await got(client, path):
            assert not {"hidden", "learnt", "uncertainty"} & set(one)
    state = (await client.get("/api/v1/state")).text
    assert "hidden" not in state
    assert "uncertainty" not in state
