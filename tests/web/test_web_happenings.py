"""What happened along a time axis, from a real history file through the interface."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.alarm.states import Event, State
from gateway.alarm.transition import Priority, Transition
from gateway.diagnose.findings import Finding
from gateway.record import spells
from gateway.record.store import open_store
from gateway.web.app import make_app
from gateway.web.past import stored

from .archive import START, archive, mismatch, open_circuit
from .feeder import Feeder

pytestmark = pytest.mark.slow

HOUR = 3600.0


def limit(t: float, event: Event, *, actor: str = "gateway", reason: str = "") -> Transition:
    """A step of the high limit of stair B."""
    after = State.UNACKNOWLEDGED if event is Event.ALARM else State.NORMAL
    return Transition(
        time=t, order=0, alarm="pressure-high:stair-b", fault="pressure-high", kind="loop",
        subject="stair-b", event=event, before=State.NORMAL, after=after,
        priority=Priority.HIGH, message="Pressure above its high limit", actor=actor, reason=reason,
    )  # fmt: skip


def cleared(finding: Finding, t: float) -> Finding:
    return replace(finding, phase="cleared", time=t)


async def happened(
    folder: Path,
    happenings: Sequence[Finding | Transition],
    query: str,
    feeder: Feeder | None = None,
) -> Any:
    with open_store(folder, archive(), events=False) as store:
        store.write([], happenings)
        app = make_app((feeder or Feeder(archive())).live, stored(store.file), clock=lambda: START)
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
            answer = await client.get(f"/api/v1/happenings?{query}")
    return answer.json() if answer.status_code == 200 else answer


def told(view: Any) -> list[tuple[str, float, float | None]]:
    """Fault, beginning and end in hours before START."""
    hours = [
        (one["fault"], (one["start"] - START) / HOUR, one["end"] and (one["end"] - START) / HOUR)
        for one in view["spells"]
    ]
    return [(fault, round(a, 6), b and round(b, 6)) for fault, a, b in hours]


async def test_spells_of_a_loop_and_of_what_belongs_to_it(tmp_path: Path) -> None:
    wire, setting = open_circuit(START - 5 * HOUR), mismatch(START - 4 * HOUR, "exhaust-plenum")
    elsewhere = mismatch(START - 3 * HOUR)
    view = await happened(
        tmp_path,
        [wire, setting, elsewhere, cleared(wire, START - 2 * HOUR)],
        f"loop=exhaust-plenum&from={START - 10 * HOUR}&to={START}",
    )
    assert told(view) == [("open-circuit", -5, -2), ("combination-mismatch", -4, None)]
    assert view["spells"][0]["finding"]["evidence"] == {
        "electrical_mA": 0.01,
        "percent_of_span": -24.9,
    }
    assert view["whole"] is True


@pytest.mark.parametrize(
    ("start", "end", "seen"),
    [(-10, 0, True), (-10, -5, False), (-4, -3, True), (-2, 0, True), (-1.9, 0, False)],
)
async def test_what_overlaps_the_period_is_told(
    tmp_path: Path, start: float, end: float, seen: object
) -> None:
    wire = open_circuit(START - 5 * HOUR)
    view = await happened(
        tmp_path, [wire, cleared(wire, START - 2 * HOUR)],
        f"transducer=dp-402&from={START + start * HOUR}&to={START + end * HOUR}",
    )  # fmt: skip
    assert told(view) == ([("open-circuit", -5, -2)] if seen else [])


async def test_alarms_without_a_finding_come_again_and_again(tmp_path: Path) -> None:
    steps = [
        limit(START - 9 * HOUR, Event.ALARM), limit(START - 8 * HOUR, Event.RETURN),
        limit(START - 4 * HOUR, Event.ALARM),
        limit(START - 3.5 * HOUR, Event.ACKNOWLEDGE, actor="Ada Night", reason="on my way"),
        limit(START - 3 * HOUR, Event.RETURN), limit(START - 1 * HOUR, Event.ALARM),
    ]  # fmt: skip
    view = await happened(tmp_path, steps, f"loop=stair-b&from={START - 8.5 * HOUR}&to={START}")
    assert told(view) == [
        ("pressure-high", -9, -8), ("pressure-high", -4, -3), ("pressure-high", -1, None),
    ]  # fmt: skip
    (deed,) = view["deeds"]
    assert (deed["actor"], deed["event"], deed["reason"]) == (
        "Ada Night",
        "acknowledge",
        "on my way",
    )
    assert deed["time"] == START - 3.5 * HOUR


async def test_an_alarm_of_a_finding_is_told_once(tmp_path: Path) -> None:
    wire = open_circuit(START - HOUR)
    alarm = replace(
        limit(START - HOUR, Event.ALARM), alarm="open-circuit:dp-402", fault="open-circuit",
        kind="transducer", subject="dp-402", finding=wire.id,
    )  # fmt: skip
    view = await happened(
        tmp_path, [wire, alarm], f"loop=exhaust-plenum&from={START - 2 * HOUR}&to={START}"
    )
    assert told(view) == [("open-circuit", -1, None)]


async def test_what_began_long_ago_and_goes_on_is_told(tmp_path: Path) -> None:
    feeder = Feeder(archive(), clock=lambda: START)
    feeder.findings = [open_circuit(START - 90 * 24 * HOUR)]
    feeder.row(START)
    view = await happened(tmp_path, [], f"transducer=dp-402&from={START - HOUR}&to={START}", feeder)
    assert told(view) == [("open-circuit", -90 * 24, None)]


async def test_too_much_is_said_to_be_too_much(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spells, "MOST", 3)
    steps = [limit(START - k * HOUR, Event.ALARM) for k in (5, 4, 3, 2)]
    view = await happened(tmp_path, steps, f"loop=stair-b&from={START - 9 * HOUR}&to={START}")
    assert view["whole"] is False
    assert len(view["spells"]) == 1  # three beginnings without an end are one that goes on


@pytest.mark.parametrize(
    ("query", "status"),
    [("loop=stair-z", 404), ("transducer=dp-999", 404), ("", 422),
     ("loop=stair-b&transducer=dp-201", 422), ("loop=stair-b&from=9&to=8", 422)],
)  # fmt: skip
async def test_what_cannot_be_asked_is_told(tmp_path: Path, query: str, status: int) -> None:
    answer = await happened(tmp_path, [], query)
    assert answer.status_code == status
    assert answer.json()["faults"][0]["allowed"]
