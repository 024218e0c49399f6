"""Loop checks over HTTP: what is answered with 200 is on disk; records and their chain."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from io import BytesIO
from pathlib import Path
from typing import Any

import httpx
import pytest
from pypdf import PdfReader

from gateway.record import checks as kept
from gateway.web.app import make_app
from gateway.web.door import Door
from gateway.web.gate import Gate
from gateway.web.past import stored
from tests.checking.bench import Bench, bench

from .persons import TOKEN

pytestmark = pytest.mark.slow

API = "/api/v1/checks"
ADA = {"person": "Ada Example"}
WANTED: dict[str, Any] = {
    **ADA, "loop": "stair", "transducers": ["p1"], "scheme": "zero", "combined": False,
    "reference": {"identity": "Calibrator 7", "expanded": 0.1, "unit": "Pa"},
}  # fmt: skip


@asynccontextmanager
async def speaking(folder: Path) -> AsyncIterator[tuple[Bench, httpx.AsyncClient]]:
    """A gateway with checks and rows by hand, and somebody who has the token."""
    async with bench(folder) as there:
        app = make_app(
            there.there.live, stored(there.there.store.file), door=Door(Gate(TOKEN)),
            clock=lambda: there.now, checks=there.checks,
        )  # fmt: skip
        headers = {"Authorization": f"Bearer {TOKEN}"}
        async with httpx.AsyncClient(
            transport=httpx.ASGITransport(app), base_url="http://gateway", headers=headers
        ) as client:
            yield there, client


async def told(client: httpx.AsyncClient, name: str, what: str, **body: Any) -> Any:
    answer = await client.post(f"{API}/open/{name}/{what}", json=ADA | body)
    assert answer.status_code == 200, answer.text
    return answer.json()


async def refused(client: httpx.AsyncClient, name: str, what: str, **body: Any) -> Any:
    answer = await client.post(f"{API}/open/{name}/{what}", json=ADA | body)
    return answer.status_code, answer.json()["faults"][0]


async def test_a_check_from_beginning_to_record(tmp_path: Path) -> None:
    async with speaking(tmp_path) as (there, client):
        before = (await client.get(API)).json()
        assert before["open"] == []
        assert any("fire watch" in words for words in before["cautions"])
        begun = (await client.post(API, json=WANTED)).json()
        name = begun["name"]
        assert (begun["task"], begun["step"], begun["apply"]) == (
            "measure", "as-found/p1/zero", {"p1": 0.0},
        )  # fmt: skip
        assert "bridge both ports" in begun["asked"]
        there.pressures["p1"] = 0.03
        applied = await told(client, name, "applied", step=begun["step"], shown={"p1": 0.02})
        assert applied["applied"]
        await there.rows(3)
        now = (await client.get(f"{API}/open/{name}")).json()
        assert now["why"] == "3 of 5 readings, 2 of 5 s"
        assert now["inputs"][0]["pressure"] == pytest.approx(0.03, abs=0.01)
        await there.rows(3)
        now = (await client.get(f"{API}/open/{name}")).json()
        assert (now["task"], now["transducer"], now["done"]) == ("decide", "p1", 1)
        (summary,) = [s for s in now["summaries"] if s["source"] == "input"]
        assert (summary["verdict"], summary["adjust"]) == ("pass", False)
        assert now["read"][0]["applied"] == 0.02
        over = await told(client, name, "decide", transducer="p1", adjusted=False)
        assert over["task"] == "conclude"
        end = await told(client, name, "finish", reason="all well")
        assert end == {"name": name, "record": 1}
        assert (await client.get(f"{API}/open/{name}")).status_code == 404


async def test_records_as_list_as_data_and_as_paper(tmp_path: Path) -> None:
    async with speaking(tmp_path) as (there, client):
        empty = (await client.get(f"{API}/records")).json()
        assert empty == {"records": [], "broken": []}
        missing = await client.get(f"{API}/records/1")
        assert (missing.status_code, missing.json()["faults"][0]["allowed"]) == (
            404, "there is none yet",
        )  # fmt: skip
        one = there.checks.of((await client.post(API, json=WANTED)).json()["name"])
        await there.whole(one)
        listed = (await client.get(f"{API}/records")).json()
        (line,) = listed["records"]
        assert (line["number"], line["verdict"], line["loop"]) == (1, "pass", "stair")
        data = (await client.get(f"{API}/records/1")).json()
        assert data.pop("hash") == line["hash"] == kept.digest(kept.canonical(data))
        history = (await client.get("/api/v1/transducers/p1/calibrations")).json()
        (told_,) = history["checks"]
        assert (told_["number"], told_["scheme"], told_["adjusted"]) == (1, data["scheme"], False)
        mine = data["transducers"][0]["as_found"]["input"]
        errors = [point["error"] for point in mine["points"]]
        assert told_["as_found"]["verdict"] == mine["verdict"] == "pass"
        assert told_["as_found"]["worst"] == max(errors, key=abs)
        assert told_["as_found"]["tolerance"] == mine["tolerance"]
        assert told_["as_left"] is None
        assert (await client.get("/api/v1/transducers/p9/calibrations")).status_code == 404
        first = await client.get(f"{API}/records/1/pdf")
        assert first.headers["content-type"] == "application/pdf"
        assert "loop-check-test-1.pdf" in first.headers["content-disposition"]
        assert line["hash"] in PdfReader(BytesIO(first.content)).pages[0].extract_text()
        assert (await client.get(f"{API}/records/1/pdf")).content == first.content
        assert there.there.store.do(kept.printed, 1) == first.content
        await there.there.store.apart(
            there.there.store.do,
            lambda c: c.execute("UPDATE check_records SET body = replace(body, 'pass', 'fail')"),
        )
        assert (await client.get(f"{API}/records")).json()["broken"] == [
            "record 1: changed after it was made"
        ]
        assert (await client.get(f"{API}/records/1/pdf")).content == first.content, "as it was made"
        await there.there.store.apart(
            there.there.store.do, lambda c: c.execute("UPDATE check_records SET pdf = NULL")
        )
        refused = await client.get(f"{API}/records/1/pdf")
        assert refused.status_code == 409
        assert "changed after it was made" in refused.json()["faults"][0]["value"]


async def test_everything_a_person_may_say(tmp_path: Path) -> None:
    async with speaking(tmp_path) as (there, client):
        name = (await client.post(API, json=WANTED)).json()["name"]
        step = "as-found/p1/zero"
        await told(client, name, "note", text="tube was wet")
        skipped = await told(client, name, "skip", step=step, reason="no calibrator")
        assert skipped["read"][0]["skipped"] == "no calibrator"
        await told(client, name, "repeat", step=step)
        paused = await told(client, name, "pause", reason="lunch")
        assert paused["paused"] == "lunch"
        resumed = await told(client, name, "resume")
        assert resumed["paused"] is None
        await told(client, name, "applied", step=step)
        for k in range(6):
            there.pressures["p1"] = float(k % 2)
            await there.rows()
        taken = await told(client, name, "take", reason="draught")
        assert "to and fro" in taken["read"][0]["forced"]
        adjusted = await told(client, name, "decide", transducer="p1", adjusted=True, notes="zero")
        assert adjusted["step"] == "as-left/p1/zero"
        assert await told(client, name, "abandon", reason="called away") == {
            "name": name, "record": None,
        }  # fmt: skip


async def test_what_does_not_fit_is_refused_with_what_is_allowed(tmp_path: Path) -> None:
    async with speaking(tmp_path) as (_there, client):
        name = (await client.post(API, json=WANTED)).json()["name"]
        assert await refused(client, name, "applied", step="nonsense") == (
            409, {"path": "check", "value": "nonsense: not what is due",
                  "allowed": "as-found/p1/zero"},
        )  # fmt: skip
        assert (await refused(client, name, "finish"))[0] == 409
        assert (await refused(client, name, "take"))[0] == 409
        assert (await refused(client, "nobody", "pause"))[0] == 404
        assert (await refused(client, name, "skip", step="x"))[0] == 422, "without a reason"
        assert (await refused(client, name, "note", text="two\nlines"))[0] == 422
        nan = await client.post(
            f"{API}/open/{name}/applied", content=b'{"person":"Ada","step":"x","shown":{"p1":NaN}}',
            headers={"Content-Type": "application/json"},
        )  # fmt: skip
        assert nan.status_code == 422
        again = await client.post(API, json=WANTED)
        assert again.status_code == 409
        assert f"{name} is open" in again.json()["faults"][0]["value"]


@pytest.mark.parametrize(
    ("changes", "path"),
    [
        ({"loop": "No Loop"}, "body.loop"),
        ({"transducers": []}, "body.transducers"),
        ({"cycles": 9}, "body.cycles"),
        ({"scheme": "all"}, "body.scheme"),
        ({"person": "gateway"}, "body.person"),
        ({"reference": {"expanded": -1, "unit": "Pa"}}, "body.reference.expanded"),
        ({"strange": 1}, "body.strange"),
    ],
)
async def test_a_plan_that_cannot_be(tmp_path: Path, changes: dict[str, Any], path: str) -> None:
    async with speaking(tmp_path) as (there, client):
        answer = await client.post(API, json=WANTED | changes)
        assert (answer.status_code, answer.json()["faults"][0]["path"]) == (422, path)
        assert there.checks.open == {}


async def test_an_unknown_loop_or_transducer(tmp_path: Path) -> None:
    async with speaking(tmp_path) as (_there, client):
        for changes in ({"loop": "lobby"}, {"transducers": ["p9"]}):
            answer = await client.post(API, json=WANTED | changes)
            assert answer.status_code == 409
        assert (await client.get(f"{API}/cautions/lobby")).status_code == 404
        assert len((await client.get(f"{API}/cautions/stair")).json()) >= 6


async def test_looking_needs_no_token_and_acting_does(tmp_path: Path) -> None:
    async with speaking(tmp_path) as (_there, client):
        del client.headers["Authorization"]
        assert (await client.get(API)).status_code == 200
        assert (await client.post(API, json=WANTED)).status_code == 401


async def test_without_checks_it_says_so(client: httpx.AsyncClient) -> None:
    answer = await client.get(API)
    assert answer.status_code == 503
    assert (await client.get(f"{API}/records")).status_code == 503


async def test_until_it_is_known_what_was_open_nobody_is_told_that_nothing_is(
    tmp_path: Path,
) -> None:
    async with speaking(tmp_path) as (there, client):
        there.checks.loaded = False
        for path in (API, f"{API}/open/stair-1"):
            answer = await client.get(path)
            assert answer.status_code == 503
            assert answer.json()["faults"][0]["value"] == "what was open before is not read yet"
        assert (await client.post(API, json=WANTED)).status_code == 503
