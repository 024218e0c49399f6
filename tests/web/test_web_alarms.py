"""How alarms stand over HTTP, what happened to them, and how good they are."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import httpx
import pytest

from gateway.alarm import actions as do
from gateway.alarm.performance import DAY_S
from gateway.record.journal import Entry, append
from gateway.web.board import Board

from .archive import START, archive, mismatch, open_circuit
from .feeder import Feeder
from .test_web_api import got

pytestmark = pytest.mark.slow

WIRE, EFFECT, OTHER = (
    "open-circuit:dp-402", "combination-mismatch:exhaust-plenum", "combination-mismatch:stair-b",
)  # fmt: skip


@pytest.fixture
def broken(feeder: Feeder) -> Feeder:
    """A broken wire with what it does to its loop, and another alarm."""
    return broke(feeder)


def broke(feeder: Feeder) -> Feeder:
    feeder.row(START - 2)
    feeder.findings = [
        open_circuit(START - 1), mismatch(START - 1, "exhaust-plenum"), mismatch(START - 1),
    ]  # fmt: skip
    feeder.row(START - 1)
    return feeder


async def ids(client: httpx.AsyncClient, query: str = "") -> list[str]:
    return [a["id"] for a in await got(client, f"/api/v1/alarms{query}")]


@pytest.mark.usefixtures("broken")
async def test_one_broken_wire_is_one_alarm_with_its_consequences(
    client: httpx.AsyncClient,
) -> None:
    alarms = await got(client, "/api/v1/alarms")
    assert [(a["id"], a["shown"]) for a in alarms] == [
        (WIRE, True), (OTHER, True), (EFFECT, False),
    ]  # fmt: skip
    wire = alarms[0]
    assert [c["id"] for c in wire["consequences"]] == [EFFECT]
    assert wire["next_check"].startswith("Measure at the input terminals")
    assert wire["consequence"].startswith("The controller reads this input as")
    assert (wire["status"], wire["priority"], wire["loops"]) == (
        "failure", "medium", ["exhaust-plenum"],
    )  # fmt: skip
    assert wire["actions"] == ["acknowledge", "shelve"]
    assert alarms[1]["status"] == "out of specification"


@pytest.mark.usefixtures("broken")
@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("?state=active unacknowledged", [WIRE, OTHER]),
        ("?state=suppressed by design", [EFFECT]),
        ("?state=suppressed by design&state=active unacknowledged", [WIRE, OTHER, EFFECT]),
        ("?state=shelved", []),
        ("?priority=medium", [WIRE]),
        ("?priority=low&priority=medium", [WIRE, OTHER, EFFECT]),
        ("?priority=high", []),
        ("?loop=stair-b", [OTHER]),
        ("?loop=exhaust-plenum&state=active unacknowledged", [WIRE]),
    ],
)
async def test_filters(client: httpx.AsyncClient, query: str, found: list[str]) -> None:
    assert await ids(client, query) == found


@pytest.mark.parametrize(
    ("query", "status", "path"),
    [
        ("?state=loud", 422, "query.state.0"),
        ("?priority=urgent", 422, "query.priority.0"),
        ("?loop=stair-c", 404, "query.loop"),
        ("/nothing", 404, "alarms"),
    ],
)
async def test_filters_that_find_nothing_for_a_reason(
    client: httpx.AsyncClient, query: str, status: int, path: str
) -> None:
    (fault,) = (await got(client, f"/api/v1/alarms{query}", status))["faults"]
    assert fault["path"] == path
    assert fault["allowed"]


async def test_an_alarm_at_rest(client: httpx.AsyncClient) -> None:
    rest = await got(client, "/api/v1/alarms/frozen:dp-201")
    assert (rest["state"], rest["shown"], rest["onset"]) == ("normal", False, None)
    assert await ids(client) == []


async def test_the_tally_goes_with_every_state(client: httpx.AsyncClient, broken: Feeder) -> None:
    tally = (await got(client, "/api/v1/state"))["alarms"]
    assert tally == await got(client, "/api/v1/alarms/tally")
    assert tally["edition"] >= round(START * 1000)
    counts = {k: v for k, v in tally.items() if k not in ("edition", "out_of_service")}
    assert counts == {"shown": 2, "unacknowledged": 2, "high": 0, "explained": 1, "shelved": 0}
    broken.row(START)
    assert await got(client, "/api/v1/alarms/tally") == tally, "nothing changed"
    await broken.live.alarms.act(do.acknowledge(WIRE, "Ada Night"))
    await broken.live.alarms.act(do.shelve(OTHER, "Ada Night", "known", START + 600))
    later = await got(client, "/api/v1/alarms/tally")
    assert later["edition"] > tally["edition"]
    assert (later["shown"], later["unacknowledged"], later["shelved"]) == (1, 0, 1)


async def test_alarms_before_the_first_row(client: httpx.AsyncClient) -> None:
    assert (await got(client, "/api/v1/state"))["alarms"]["shown"] == 0
    assert await ids(client) == []


def test_views_are_made_once_while_nothing_changes(feeder: Feeder) -> None:
    board = Board(feeder.live, lambda: START)
    feeder.findings = [open_circuit(START - 1)]
    feeder.row(START - 1)
    first = board.views()
    feeder.row(START)
    assert board.views() is first
    feeder.findings = []
    feeder.row(START + 1)
    assert board.views() is not first, "its finding is over, although the alarm still waits"


async def test_the_journal_newest_first(client: httpx.AsyncClient, broken: Feeder) -> None:
    await broken.live.alarms.act(do.acknowledge(WIRE, "Ada Night", "on my way"))
    page = await got(client, "/api/v1/journal")
    assert page["before"] is None
    top = page["entries"][0]
    assert top == {
        "seq": 8, "time": "2026-05-28T20:26:40.500Z", "kind": "alarm", "event": "acknowledge",
        "subject": "dp-402", "fault": "open-circuit", "ref": WIRE,
        "message": "Open circuit: no signal at all", "actor": "Ada Night", "reason": "on my way",
        "before": "active unacknowledged", "after": "active acknowledged", "priority": "medium",
        "cause": "", "until": None,
    }  # fmt: skip
    assert [e["seq"] for e in page["entries"]] == [8, 7, 6, 5, 4, 3, 2, 1]
    assert {e["kind"] for e in page["entries"]} == {"alarm", "finding"}
    put_under = next(e for e in page["entries"] if e["cause"])
    assert (put_under["ref"], put_under["cause"]) == (EFFECT, WIRE)


@pytest.mark.parametrize(
    ("query", "seqs"),
    [
        ("kind=alarm&actor=Ada Night", [8]),
        ("kind=finding", [3, 2, 1]),
        ("subject=stair-b", [7, 3]),
        (f"alarm={WIRE}", [8, 4]),
        ("text=my WAY", [8]),
        ("text=no signal", [8, 4, 1]),
        ("from=1780000000", [8]),
        ("to=1780000000", [7, 6, 5, 4, 3, 2, 1]),
        ("from=1780000001", []),
        ("before=4", [3, 2, 1]),
        ("before=4&kind=alarm", []),
    ],
)
async def test_searching_the_journal(
    client: httpx.AsyncClient, broken: Feeder, query: str, seqs: list[int]
) -> None:
    await broken.live.alarms.act(do.acknowledge(WIRE, "Ada Night", "on my way"))
    page = await got(client, f"/api/v1/journal?{query}")
    assert [e["seq"] for e in page["entries"]] == seqs


@pytest.mark.usefixtures("broken")
async def test_page_after_page(client: httpx.AsyncClient) -> None:
    seen, query = [], "limit=2"
    while True:
        page = await got(client, f"/api/v1/journal?{query}")
        seen += [e["seq"] for e in page["entries"]]
        if page["before"] is None:
            break
        query = f"limit=2&before={page['before']}"
    assert seen == [7, 6, 5, 4, 3, 2, 1]


@pytest.mark.parametrize(
    ("query", "path"),
    [
        ("journal?from=tomorrow", "query.from"),
        ("journal?from=200&to=100", "query.from"),
        ("journal?before=0", "query.before"),
        ("journal?limit=501", "query.limit"),
        ("journal?txt=x", "query.txt"),
        (f"journal?text={121 * 'x'}", "query.text"),
        ("alarms/performance?from=0&to=1000000000", "query.from"),
        ("alarms/performance?from=200&to=100", "query.from"),
        ("alarms/performance?from=1780000001", "query.from"),
    ],
)
async def test_questions_that_cannot_be_answered(
    client: httpx.AsyncClient, query: str, path: str
) -> None:
    (fault,) = (await got(client, f"/api/v1/{query}", 422))["faults"]
    assert fault["path"] == path
    assert fault["allowed"]


def odd(feeder: Feeder, **words: Any) -> None:
    """An entry of a kind that the program does not know yet."""
    entry = replace(Entry(0, round(START * 1000), "window", "cleaned"), **words)
    append(feeder.book._connection, entry)


async def test_entries_of_other_kinds_are_shown_too(
    client: httpx.AsyncClient, feeder: Feeder
) -> None:
    odd(feeder, actor="Ben Day", body={"until": "soon", "message": None, "before": 3})
    (entry,) = (await got(client, "/api/v1/journal"))["entries"]
    assert (entry["kind"], entry["subject"], entry["actor"]) == ("window", "cleaned", "Ben Day")
    assert (entry["until"], entry["message"], entry["before"]) == (None, "", "3")


async def test_performance_against_the_published_targets(
    client: httpx.AsyncClient, feeder: Feeder
) -> None:
    odd(feeder, time_ms=round((START - 31 * DAY_S) * 1000))
    broke(feeder)
    made = await got(client, "/api/v1/alarms/performance")
    assert (made["days"], made["enough"], made["total"]) == (30, True, 2)
    figures = {f["name"]: f for f in made["figures"]}
    hourly = figures["alarms an hour, average"]
    assert hourly["value"] == pytest.approx(2 / 720)
    # About 6 an hour likely acceptable, 12 manageable (ISA-18.2 / EEMUA 191, secondary texts).
    assert (hourly["target"], hourly["judgement"]) == (
        "at most 6, manageable up to 12", "acceptable",
    )  # fmt: skip
    busiest = figures["share of the ten busiest alarms"]
    assert sorted(busiest["alarms"]) == [OTHER, WIRE]
    assert busiest["judgement"] == "too few alarms to say"


@pytest.mark.usefixtures("broken")
async def test_performance_of_a_period_knows_what_began_before(
    client: httpx.AsyncClient,
) -> None:
    # Nothing happens any more, but the two alarms stand for days.
    start, end = START + 2 * DAY_S, START + 3 * DAY_S
    made = await got(client, f"/api/v1/alarms/performance?from={start}&to={end}")
    assert (made["total"], made["enough"], made["days"]) == (0, False, 1)
    (stale,) = [f for f in made["figures"] if f["name"].startswith("stale")]
    assert (stale["value"], stale["alarms"]) == (2, [OTHER, WIRE])


@pytest.mark.parametrize(("query", "days"), [("", 1.5), (f"?from={START}&to={START + 9}", 0.0)])
async def test_a_time_that_nobody_watched_is_no_quiet_time(
    client: httpx.AsyncClient, feeder: Feeder, query: str, days: float
) -> None:
    odd(feeder, time_ms=round((START + 0.5 - 1.5 * DAY_S if not query else START + 60) * 1000))
    made = await got(client, f"/api/v1/alarms/performance{query}")
    assert (made["days"], made["enough"]) == (pytest.approx(days, abs=0.001), False)


async def test_a_site_without_anything_has_a_report() -> None:
    feeder = Feeder(archive(controllers={}, transducers={}, loops={}))
    assert feeder.live.alarms.standing == ()
    assert Board(feeder.live, lambda: START).out() == []
