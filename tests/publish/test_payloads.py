"""What the MQTT messages say, and where."""

from __future__ import annotations

import json
from typing import Any

import pytest

from gateway.live import LinkState
from gateway.publish import payloads
from gateway.record.journal import Entry
from gateway.record.outbox import Waiting
from gateway.views import loop_view, transducer_view
from tests.publish.made import START, finding, plant, snapshot

HERE = plant()


def read(text: str) -> dict[str, Any]:
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    content = json.loads(text, parse_constant=refuse)
    assert isinstance(content, dict)
    return content


def test_loop_makes_no_views_of_what_it_only_names(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two thirds of its time went there."""
    monkeypatch.setattr("gateway.views.transducer_view", None)
    monkeypatch.setattr("gateway.views.finding_view", None)
    now = snapshot(HERE, percent=50.0, findings=(finding("p2"),))
    assert read(payloads.loop(HERE, now, "stair"))["transducers"] == ["p1", "p2"]


def test_loop_is_small_and_agrees_with_the_view() -> None:
    now = snapshot(HERE, percent=50.0, findings=(finding("p2"),))
    told = read(payloads.loop(HERE, now, "stair"))
    view = loop_view(HERE, now, "stair")
    assert told["transducers"] == ["p1", "p2"]
    # 50 % of -25..100 Pa: IEC 60381-1 says linear between 4 and 20 mA.
    assert told["combined"] == pytest.approx(37.5)
    assert told["combined"] == view.combined
    assert told["status"] == "failure"
    (short,) = told["findings"]
    assert short["fault"] == "open-circuit"
    assert "next_check" not in short
    assert set(view.model_dump()) == set(told)
    assert len(payloads.loop(HERE, now, "stair")) < 1000


def test_transducer_tells_its_own_findings_only() -> None:
    now = snapshot(HERE, findings=(finding("p2"),))
    told = {k: read(payloads.transducer(HERE, now, k)) for k in ("p1", "p2")}
    assert (told["p1"]["findings"], told["p1"]["status"]) == ([], "good")
    assert told["p2"]["findings"][0]["id"] == finding("p2").id
    assert told["p1"]["value"] == transducer_view(HERE, now, "p1").value
    assert told["p1"]["time"].endswith("Z")


def test_no_reading_is_null() -> None:
    now = snapshot(HERE, percent=float("nan"))
    assert read(payloads.transducer(HERE, now, "p1"))["value"] is None
    assert read(payloads.loop(HERE, now, "stair"))["combined"] is None


def test_controller() -> None:
    told = read(payloads.controller(HERE, LinkState("a", reason="no answer", last_answer=START)))
    assert (told["controller"], told["connected"], told["reason"]) == ("a", False, "no answer")
    assert told["last_answer"] == "2026-05-28T20:30:00.000Z"


def test_event_has_sequence_time_and_the_whole_finding() -> None:
    one = finding(time=START + 2)
    waiting = Waiting(Entry(41, 1_780_000_202_000, "finding", "p1"), 40, "a1")
    told = read(payloads.finding_event("test", waiting, one))
    assert (told["sequence"], told["site"]) == (41, "test")
    # A store begun anew counts from 1 again: without its name all of it would pass for old.
    assert (told["journal"], told["previous"]) == ("a1", 40)
    assert (told["phase"], told["fault"]) == ("raised", "open-circuit")
    assert told["time"] == "2026-05-28T20:30:02.000Z"
    assert told["next_check"] == one.next_check
    assert told["evidence"]["signal_mA"] == 0.02


def test_birth_and_will() -> None:
    assert read(payloads.status("online", "", START))["time"] == "2026-05-28T20:30:00.000Z"
    assert read(payloads.status("offline", "connection lost")) == {
        "state": "offline",
        "reason": "connection lost",
        "time": None,
    }
