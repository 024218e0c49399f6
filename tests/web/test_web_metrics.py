"""Health and metrics; the text is read back by the Prometheus project's own parser."""

from __future__ import annotations

from dataclasses import replace

import httpx
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.parser import text_string_to_metric_families

from gateway.live import ClockState, LinkState, SinkState
from gateway.measure.quality import Reason
from gateway.web.metrics import family

from .archive import START, mismatch, open_circuit
from .feeder import Feeder

Key = tuple[str, tuple[tuple[str, str], ...]]


def parsed(text: str) -> dict[Key, float]:
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): float(sample.value)
        for metric in text_string_to_metric_families(text)
        for sample in metric.samples
    }


async def test_metrics_of_a_site(client: httpx.AsyncClient, feeder: Feeder) -> None:
    feeder.findings = [open_circuit(START - 60), mismatch(START - 30)]
    feeder.reasons = {"dp-402": Reason.FAILURE_LOW}
    feeder.row(START)
    assert feeder.live.latest is not None
    link = LinkState(
        "ef-4", connected=False, polls=50, failures=7, missed_ticks=2, response_ms=12.5
    )
    feeder.live.latest = replace(
        feeder.live.latest, links={**feeder.live.latest.links, "ef-4": link}
    )
    feeder.live.sinks["mqtt"] = SinkState("mqtt", connected=True, sent=9, failures=3, waiting=4)
    answer = await client.get("/metrics")
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    got = parsed(answer.text)
    now = feeder.live.latest.readings

    def value(name: str, **labels: str) -> float:
        return got[f"loopwitness_{name}", tuple(sorted(labels.items()))]

    assert value("transducer_pressure_pascals", transducer="dp-201") == now.pressure[0, 0]
    assert value("transducer_quality", transducer="dp-402") == 2
    assert value("loop_combined_pascals", loop="ahu-1-supply") == now.combined[0, 1]
    assert value("loop_feedback_pascals", loop="stair-b") == now.feedback[0, 0]
    assert value("loop_setpoint_pascals", loop="exhaust-plenum") == -220
    assert value("alarms", state="active unacknowledged") == 2
    assert value("alarms", state="shelved") == 0
    assert value("findings_open", status="failure") == 1
    assert value("findings_open", status="out of specification") == 1
    assert value("findings_open", status="maintenance required") == 0
    assert (
        value(
            "finding_since_timestamp_seconds",
            fault="open-circuit",
            kind="transducer",
            subject="dp-402",
        )
        == START - 60
    )
    assert value("controller_polls_total", controller="ef-4") == 50
    assert value("controller_failures_total", controller="ef-4") == 7
    assert value("controller_missed_ticks_total", controller="ef-4") == 2
    assert value("controller_connected", controller="ef-4") == 0
    assert value("controller_response_seconds", controller="ef-4") == 0.0125
    assert value("sink_waiting", sink="mqtt") == 4
    assert value("row_timestamp_seconds") == START


async def test_metrics_before_the_first_row(client: httpx.AsyncClient) -> None:
    got = parsed((await client.get("/metrics")).text)
    labels = (("name", "Harbour Street Archive"), ("site", "harbour-archive"))
    assert got["loopwitness_site_info", labels] == 1
    assert not any(name == "loopwitness_row_timestamp_seconds" for name, _ in got)


@given(st.text(st.characters(codec="utf-8"), max_size=20), st.floats(allow_nan=False))
def test_any_label_and_value_survive(text: str, value: float) -> None:
    # A carriage return is no line end in the format, but the parser splits lines at it.
    text = "".join(text.split("\r"))
    written = family("x", "gauge", "About.", [({"name": text}, value)])
    if len(written.splitlines()) != 3:  # other Unicode line ends, the same
        return
    assert parsed(written) == {("loopwitness_x", (("name", text),)): value}


async def test_health_follows_the_age_of_the_row(client: httpx.AsyncClient, feeder: Feeder) -> None:
    before = await client.get("/healthz")
    assert (before.status_code, before.json()["reason"]) == (503, "no row yet")
    # The client's clock stands at START + 0.5; fresh within 3 intervals of 1 s and 2 s.
    feeder.row(START - 4.4)
    fresh = await client.get("/healthz")
    assert (fresh.status_code, fresh.json()["ok"]) == (200, True)
    feeder.row(START - 4.6)
    old = await client.get("/healthz")
    assert old.status_code == 503
    assert old.json()["reason"] == "no row for 5.1 s; one is due every 1 s"


async def test_troubles_of_the_gateway_itself_are_told_without_a_call_for_a_restart(
    client: httpx.AsyncClient, feeder: Feeder
) -> None:
    feeder.row(START - 2)
    assert feeder.live.latest
    feeder.live.show(
        replace(
            feeder.live.latest,
            time=START + 7000,
            clock=ClockState(1, 7002.0, "the clock was set back"),
            troubles={"clock-stepped": "the clock was set back", "history-not-recorded": "full"},
        )
    )
    ahead = (await client.get("/healthz")).json()
    assert (ahead["ok"], ahead["row_age_s"]) == (True, 2.5), "by the clock, not by the row's time"
    assert ahead["troubles"]["history-not-recorded"] == "full"
    got = parsed((await client.get("/metrics")).text)
    assert got["loopwitness_gateway_trouble", (("trouble", "history-not-recorded"),)] == 1
    assert got["loopwitness_gateway_trouble", (("trouble", "archive-not-written"),)] == 0
    assert got["loopwitness_clock_steps_total", ()] == 1
    assert got["loopwitness_rows_ahead_seconds", ()] == 7002
    state = (await client.get("/api/v1/history?series=transducer/dp-201")).json()
    assert state["to_s"] > START + 7000, "rows that run ahead are shown"
