"""Open findings a page at a time, and the gateway itself, over HTTP."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.alarm.states import Event
from gateway.diagnose.findings import Finding, Status
from gateway.record import poison
from gateway.record.store import open_store
from gateway.web.app import make_app
from gateway.web.past import Past, stored
from gateway.web.reports import Reports, Wanted
from gateway.web.sources import Sources

from .archive import START, archive, mismatch, open_circuit
from .feeder import Feeder
from .test_web_happenings import limit
from .test_web_trends import written

pytestmark = pytest.mark.slow


def reports(findings: list[Finding]) -> Reports:
    feeder = Feeder(archive(), clock=lambda: START + 0.5)
    feeder.findings = findings
    feeder.row(START)
    app = make_app(feeder.live, feeder.past(), clock=lambda: START + 0.5)
    sources: Sources = app.state.sources
    return sources.reports


def lost(since: float) -> Finding:
    return replace(
        open_circuit(since), fault="no-communication", title="The controller does not answer",
        kind="controller", subject="sf-2", transducer=None, loops=("stair-b",),
    )  # fmt: skip


def test_the_gravest_first_and_of_these_the_latest() -> None:
    view = reports([mismatch(START - 900), open_circuit(START - 800), lost(START - 100)]).view(
        Wanted()
    )
    assert [one.subject for one in view.findings] == ["sf-2", "dp-402", "stair-b"]
    assert [one.where for one in view.findings] == [
        "Drive of the stair B supply fan", "Exhaust plenum, middle", "Stair B pressurization",
    ]  # fmt: skip
    assert view.findings[0].loop_names == ["Stair B pressurization"]
    assert view.counts == {
        "failure": 2, "out of specification": 1, "maintenance required": 0, "function check": 0,
    }  # fmt: skip
    assert (view.total, view.matched, view.pages) == (3, 3, 1)


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ({"text": "no SIGNAL"}, ["dp-402"]),
        ({"text": "supply fan"}, ["sf-2"]),
        ({"text": "pressurization"}, ["sf-2", "stair-b"]),
        ({"text": "combination-mismatch"}, ["stair-b"]),
        ({"status": Status.FAILURE}, ["sf-2", "dp-402"]),
        ({"status": Status.FUNCTION_CHECK}, []),
        ({"size": 2, "page": 2}, ["stair-b"]),
        ({"size": 2, "page": 9}, ["stair-b"]),
    ],
)
def test_searched_and_turned(wanted: dict[str, Any], found: list[str]) -> None:
    here = reports([mismatch(START - 900), open_circuit(START - 800), lost(START - 100)])
    assert [one.subject for one in here.view(Wanted(**wanted)).findings] == found


async def system(past: Past, feeder: Feeder | None = None) -> Any:
    app = make_app((feeder or Feeder(archive())).live, past, clock=lambda: START)
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
        answer = await client.get("/api/v1/system")
    assert answer.status_code == 200, answer.text
    return answer.json()


async def test_how_the_history_file_stands(tmp_path: Path) -> None:
    with open_store(tmp_path, archive(), events=True) as store:
        store.write([], [open_circuit(START - 7200), limit(START - 3600, Event.ALARM)])
        await store.ask(lambda c: poison.add(c, "mqtt", [(1, "event", "too long")]))
    file = written(tmp_path, 5)
    history = (await system(stored(file)))["history"]
    assert history["folder"] == str(tmp_path)
    assert history["bytes"] >= file.stat().st_size > 0
    assert 0 < history["disk_free"] < history["disk_total"]
    assert history["since"] == {
        "rows": "2026-05-28T20:26:40.000Z", "minutes": None, "hours": None,
        "journal": "2026-05-28T18:26:40.000Z",
    }  # fmt: skip
    assert (history["entries"], history["outbox"], history["refused"]) == (3, 2, {"mqtt": 1})


async def test_a_file_that_cannot_be_read_hides_nothing_else(tmp_path: Path) -> None:
    file = tmp_path / "history.sqlite3"
    file.write_bytes(b"not a database" * 100)
    view = await system(stored(file))
    assert view["history"]["since"] is None
    assert view["history"]["outbox"] is None
    assert view["history"]["bytes"] == 1400
    assert view["controllers"] == 3


async def test_the_gateway_itself() -> None:
    feeder = Feeder(archive(), clock=lambda: START)
    feeder.troubles = {"clock-stepped": "The clock was set"}
    feeder.row(START)
    view = await system(feeder.past(), feeder)
    assert view["history"] is None
    assert view["troubles"] == {"clock-stepped": "The clock was set"}
    assert (view["transducers"], view["loops"], view["viewers"]) == (7, 3, 0)
    assert view["memory"] > 10_000_000
    assert view["started"] == "2026-05-28T20:26:40.000Z"
    assert "token" not in json.dumps(view)
