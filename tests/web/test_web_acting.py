"""Acting on alarms over HTTP: who may, what is done, what is refused and in which words."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from typing import Any

import httpx
import jsonschema
import pytest

from gateway.alarm.states import State
from gateway.web.app import make_app
from gateway.web.door import Door
from gateway.web.gate import Gate

from .archive import START, archive, mismatch, open_circuit
from .feeder import Feeder
from .persons import TOKEN

pytestmark = pytest.mark.slow

WIRE = "open-circuit:dp-402"
HOLDER = {"Authorization": f"Bearer {TOKEN}"}
ADA = {"person": "Ada Night", "reason": "on my way"}
BEN = {"person": "Ben Day"}
AS_ADA = "Ada Night (local token)"


class Here:
    """An app over rows by hand, with a clock that stands where the last row was."""

    def __init__(self) -> None:
        self.now = START
        self.feeder = Feeder(archive(), clock=lambda: self.now)
        app = make_app(
            self.feeder.live, self.feeder.past(), door=Door(Gate(TOKEN)), clock=lambda: self.now
        )
        self.client = httpx.AsyncClient(
            transport=httpx.ASGITransport(app), base_url="http://gateway"
        )

    def row(self, at: float) -> None:
        self.now = START + at
        self.feeder.row(self.now)

    async def do(self, path: str, body: Mapping[str, Any], status: int = 200) -> Any:
        """Act as the holder of the token."""
        answer = await self.client.post(f"/api/v1/{path}", json=dict(body), headers=HOLDER)
        assert answer.status_code == status, answer.text
        return answer.json()

    async def fault(self, path: str, body: Mapping[str, Any], status: int) -> dict[str, str]:
        """The one fault of a refusal, which tells place, value and what is allowed."""
        (fault,) = (await self.do(path, body, status))["faults"]
        assert all(fault.values()), fault
        return dict(fault)

    async def get(self, path: str) -> Any:
        answer = await self.client.get(f"/api/v1/{path}")
        assert answer.status_code == 200, answer.text
        return answer.json()

    async def said(self, **query: str) -> list[tuple[str, str, str, str]]:
        """(event, actor, reason, state) of the alarm's journal, oldest first."""
        page = await self.get(str(httpx.URL("journal", params={"kind": "alarm", **query})))
        return [(e["event"], e["actor"], e["reason"], e["after"]) for e in page["entries"][::-1]]


@pytest.fixture
async def here() -> AsyncIterator[Here]:
    """A wire broke: one alarm, which explains another."""
    there = Here()
    async with there.client:
        there.row(0)
        there.feeder.findings = [open_circuit(START + 1), plenum(START + 1)]
        there.row(1)
        yield there


def plenum(since: float) -> Any:
    """What the broken wire does to its loop."""
    return mismatch(since, "exhaust-plenum")


async def test_acknowledged_and_in_the_journal(here: Here) -> None:
    seen = await here.do(f"alarms/{WIRE}/acknowledge", ADA)
    assert (seen["id"], seen["state"], seen["acknowledged"]) == (
        WIRE, "active acknowledged", True,
    )  # fmt: skip
    assert (await here.get(f"alarms/{WIRE}"))["state"] == "active acknowledged"
    assert (await here.said(alarm=WIRE))[-1] == (
        "acknowledge", AS_ADA, "on my way", "active acknowledged",
    )  # fmt: skip
    assert here.feeder.live.latest
    assert here.feeder.live.latest.number == 3, "shown without waiting for the next row"


async def test_what_is_done_already_is_a_conflict_that_names_what_is_left(here: Here) -> None:
    await here.do(f"alarms/{WIRE}/acknowledge", ADA)
    fault = await here.fault(f"alarms/{WIRE}/acknowledge", ADA, 409)
    assert fault == {
        "path": WIRE,
        "value": "acknowledge: it is acknowledged already (it is active acknowledged)",
        "allowed": "shelve",
    }
    assert len([e for e in await here.said(alarm=WIRE) if e[0] == "acknowledge"]) == 1


async def test_only_what_was_seen_is_acknowledged(here: Here) -> None:
    seen = (await here.get(f"alarms/{WIRE}"))["onset"]
    here.feeder.findings = []
    here.row(2)
    here.row(40)
    here.feeder.findings = [open_circuit(START + 41)]
    here.row(41)
    again = (await here.get(f"alarms/{WIRE}"))["onset"]
    fault = await here.fault(f"alarms/{WIRE}/acknowledge", {**ADA, "onset": seen}, 409)
    assert fault == {
        "path": "body.onset", "value": seen, "allowed": f"{again}: it has begun anew since",
    }  # fmt: skip
    rest = "alarms/frozen:dp-201/acknowledge"
    assert "at rest" in (await here.fault(rest, {**ADA, "onset": seen}, 409))["allowed"]
    done = await here.do(f"alarms/{WIRE}/acknowledge", {**ADA, "onset": again})
    assert done["acknowledged"]


@pytest.mark.parametrize(
    "path", ["alarms/open-circuit:dp-999/acknowledge", "alarms/nothing/shelve",
             "alarms/pressure-low:nowhere/unshelve"],
)  # fmt: skip
async def test_an_alarm_that_the_site_has_not(here: Here, path: str) -> None:
    body = {**ADA, "minutes": 5} if "/shelve" in path else ADA
    fault = await here.fault(path, body, 404)
    assert (fault["path"], fault["allowed"][:13]) == ("alarms", "fault:subject")


@pytest.mark.parametrize("kind", ["transducers", "loops"])
async def test_a_subject_that_the_site_has_not(here: Here, kind: str) -> None:
    fault = await here.fault(f"{kind}/nowhere/out-of-service", {**ADA, "minutes": 5}, 404)
    assert fault["path"] == kind
    assert "nowhere" in fault["value"]
    assert await here.fault(f"{kind}/nowhere/back-in-service", ADA, 404) == fault


ACTIONS = (
    f"alarms/{WIRE}/acknowledge", f"alarms/{WIRE}/reset", f"alarms/{WIRE}/shelve",
    f"alarms/{WIRE}/unshelve", "transducers/dp-402/out-of-service",
    "transducers/dp-402/back-in-service", "loops/stair-b/out-of-service",
    "loops/stair-b/back-in-service", "loops/stair-b/relearn",
)  # fmt: skip


@pytest.mark.parametrize("path", ACTIONS)
async def test_nobody_acts_without_the_token(here: Here, path: str) -> None:
    wrong = [{}, {"Authorization": "Bearer wrong"}, {"Authorization": f"Basic {TOKEN}"}]
    for headers in wrong:
        # Whatever the body: who has no token learns nothing of what stands here.
        for body in ({**ADA, "minutes": 5}, {}):
            answer = await here.client.post(f"/api/v1/{path}", json=body, headers=headers)
            assert answer.status_code == 401, answer.text
            assert answer.headers["www-authenticate"].startswith("Bearer")
            (fault,) = answer.json()["faults"]
            assert fault["path"] == "header.authorization"
            assert TOKEN not in answer.text
    assert len(await here.said()) == 3, "the two alarms, one put under the other"


@pytest.mark.parametrize("path", ACTIONS)
async def test_nobody_acts_without_a_name(here: Here, path: str) -> None:
    minutes = {"minutes": 5} if path.endswith(("/shelve", "out-of-service")) else {}
    fault = await here.fault(path, {"reason": "no name", **minutes}, 422)
    assert fault == {
        "path": "body.person", "value": "nothing", "allowed": "a value: it must be given",
    }  # fmt: skip


@pytest.mark.parametrize(
    "name",
    ["", " ", "x" * 81, "Ada\nLin", "Ada\u202enoN", "gateway", "Local", "Ada (BACnet 192.0.2.9)"],
)
async def test_names_that_pose_as_another(here: Here, name: str) -> None:
    fault = await here.fault(f"alarms/{WIRE}/acknowledge", {"person": name}, 422)
    assert fault["path"] == "body.person"


@pytest.mark.parametrize(
    ("path", "body", "place"),
    [
        ("shelve", {"minutes": 5}, "body.reason"),
        ("shelve", {"minutes": 5, "reason": " "}, "body.reason"),
        ("shelve", {"minutes": 5, "reason": "x" * 501}, "body.reason"),
        ("shelve", {"minutes": 5, "reason": "one\ntwo"}, "body.reason"),
        ("shelve", {"reason": "spare part"}, "body.minutes"),
        ("shelve", {"minutes": 0, "reason": "spare part"}, "body.minutes"),
        ("shelve", {"minutes": 1441, "reason": "spare part"}, "body.minutes"),
        ("shelve", {"minutes": "soon", "reason": "spare part"}, "body.minutes"),
        ("acknowledge", {"persom": "Ada"}, "body.persom"),
        ("acknowledge", {"reason": 7}, "body.reason"),
    ],
)
async def test_bodies_that_cannot_be_used(
    here: Here, path: str, body: dict[str, Any], place: str
) -> None:
    fault = await here.fault(f"alarms/{WIRE}/{path}", {"person": "Ada Night", **body}, 422)
    assert fault["path"] == place


async def test_what_is_no_json_or_too_much_of_it(here: Here) -> None:
    address = f"/api/v1/alarms/{WIRE}/acknowledge"
    for content in (b"person=Ada", b"{", b"[]", b"7"):
        answer = await here.client.post(address, content=content, headers=HOLDER)
        assert answer.status_code == 422, answer.text
        assert "application/json" in answer.json()["faults"][0]["allowed"]
    much = await here.client.post(address, content=b"{" + 20_000 * b" ", headers=HOLDER)
    assert much.status_code == 413
    assert much.json()["faults"][0]["allowed"] == "at most 16384 bytes"

    async def endless() -> AsyncIterator[bytes]:
        yield b"{}"

    unknown = await here.client.post(address, content=endless(), headers=HOLDER)
    assert unknown.status_code == 411
    assert "content-security-policy" in unknown.headers


async def test_a_foreign_page_is_given_no_way_to_act(here: Here) -> None:
    # Fetch standard: a request with an Authorization header needs an answer to OPTIONS that allows
    # the other origin first; none is given.
    answer = await here.client.options(
        f"/api/v1/alarms/{WIRE}/acknowledge",
        headers={"Origin": "http://elsewhere.example", "Access-Control-Request-Method": "POST",
                 "Access-Control-Request-Headers": "authorization"},
    )  # fmt: skip
    assert answer.status_code == 405
    assert not [name for name in answer.headers if name.startswith("access-control")]


async def test_shelved_until_its_time_is_over(here: Here) -> None:
    shelved = await here.do(
        f"alarms/{WIRE}/shelve", {**ADA, "reason": "spare part on the way", "minutes": 10}
    )
    assert (shelved["state"], shelved["shown"], shelved["active"]) == ("shelved", False, True)
    assert shelved["shelved"]["actor"] == AS_ADA
    assert shelved["shelved"]["until"] == "2026-05-28T20:36:41.000Z"
    assert "unshelve" in shelved["actions"]
    fault = await here.fault(f"alarms/{WIRE}/acknowledge", ADA, 409)
    assert "hidden" in fault["value"]
    here.row(600)
    assert (await here.get(f"alarms/{WIRE}"))["state"] == "shelved"
    here.row(602)
    back = await here.get(f"alarms/{WIRE}")
    assert (back["state"], back["shelved"]) == ("active unacknowledged", None)
    assert (await here.said(alarm=WIRE))[-1] == (
        "unshelve", "gateway", "its time is over", "active unacknowledged",
    )  # fmt: skip


async def test_back_from_the_shelf_by_a_person(here: Here) -> None:
    await here.do(f"alarms/{WIRE}/shelve", {**ADA, "minutes": 60})
    back = await here.do(f"alarms/{WIRE}/unshelve", BEN)
    assert back["state"] == "active unacknowledged"
    fault = await here.fault(f"alarms/{WIRE}/unshelve", BEN, 409)
    assert "not shelved" in fault["value"]
    assert "shelve" in fault["allowed"].split(", ")


async def test_a_transducer_out_of_service_is_a_function_check(here: Here) -> None:
    work = {"person": "Ada Night", "reason": "loop check", "minutes": 60}
    (out,) = await here.do("transducers/dp-402/out-of-service", work)
    assert out == {
        "kind": "transducer", "subject": "dp-402", "since": "2026-05-28T20:26:41.000Z",
        "until": "2026-05-28T21:26:41.000Z", "actor": AS_ADA, "reason": "loop check",
        "includes": [], "alarms": [WIRE],
    }  # fmt: skip
    assert await here.get("out-of-service") == [out]
    assert (await here.get("transducers/dp-402"))["status"] == "function check"
    findings = {f["fault"]: f["status"] for f in await here.get("findings")}
    assert findings["open-circuit"] == "function check"
    assert WIRE not in [a["id"] for a in await here.get("alarms")]
    behind = await here.get("alarms?state=out of service")
    assert WIRE in [a["id"] for a in behind if a["active"]]
    assert {a["status"] for a in behind} == {"function check"}
    # By itself.
    here.row(3600)
    assert await here.get("out-of-service") == [out]
    here.row(3602)
    assert await here.get("out-of-service") == []
    assert (await here.get("transducers/dp-402"))["status"] == "failure"


async def test_a_loop_takes_its_transducers_along(here: Here) -> None:
    work = {"person": "Ada Night", "reason": "damper", "until": "2026-05-29T06:00:00Z"}
    (out,) = await here.do("loops/stair-b/out-of-service", work)
    assert (out["kind"], out["subject"], out["includes"]) == (
        "loop", "stair-b", ["dp-201", "dp-202"],
    )  # fmt: skip
    assert out["until"] == "2026-05-29T06:00:00.000Z"
    assert (await here.get("loops/stair-b"))["status"] == "function check"
    assert (await here.get("transducers/dp-201"))["status"] == "function check"
    # One of them is done earlier.
    (left,) = await here.do("transducers/dp-201/back-in-service", BEN)
    assert left["includes"] == ["dp-202"]
    assert await here.do("loops/stair-b/back-in-service", BEN) == []
    fault = await here.fault("loops/stair-b/back-in-service", BEN, 409)
    assert "not out of service" in fault["value"]
    assert fault["allowed"] == "out-of-service"


@pytest.mark.parametrize(
    ("body", "place"),
    [
        ({}, "body"),
        ({"minutes": 5, "until": "2026-05-29"}, "body"),
        ({"minutes": 0}, "body.minutes"),
        ({"minutes": 527_041}, "body.minutes"),
        ({"until": "tomorrow"}, "body.until"),
        ({"until": "2026-05-28T20:26:41Z"}, "body.until"),
        ({"until": "2027-06-28"}, "body.until"),
    ],
)
async def test_how_long_a_work_may_take(here: Here, body: dict[str, Any], place: str) -> None:
    fault = await here.fault("loops/stair-b/out-of-service", {**ADA, **body}, 422)
    assert fault["path"] == place


async def test_what_cannot_be_recorded_is_not_done(here: Here) -> None:
    here.feeder.book.stopped = "nothing can be recorded now: disk full"
    fault = await here.fault(f"alarms/{WIRE}/acknowledge", ADA, 503)
    assert "disk full" in fault["value"]
    assert (await here.get(f"alarms/{WIRE}"))["state"] == "active unacknowledged"


async def test_a_reset_needs_an_alarm_that_latches(here: Here) -> None:
    fault = await here.fault(f"alarms/{WIRE}/reset", ADA, 409)
    assert fault["allowed"] == "acknowledge, shelve"


async def test_too_many_wrong_tokens(here: Here) -> None:
    address = f"/api/v1/alarms/{WIRE}/acknowledge"
    for token in [*10 * ["Bearer wrong"], HOLDER["Authorization"]]:
        answer = await here.client.post(address, json=ADA, headers={"Authorization": token})
    assert answer.status_code == 429
    assert 50 <= int(answer.headers["retry-after"]) <= 61


async def test_actions_turned_off(here: Here) -> None:
    transport = httpx.ASGITransport(make_app(here.feeder.live, here.feeder.past()))
    async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
        for headers in ({}, HOLDER):
            path = f"/api/v1/alarms/{WIRE}/acknowledge"
            answer = await client.post(path, json=ADA, headers=headers)
            assert answer.status_code == 403
            assert "LOOPWITNESS_HTTP_ACTIONS" in answer.json()["faults"][0]["allowed"]


async def test_actions_and_their_refusals_keep_to_the_description(here: Here) -> None:
    document = await here.get("openapi.json")
    paths = document["paths"].items()
    found = [p for p, m in paths if m.get("post", {}).get("tags") == ["actions"]]
    names = {"{alarm_id}": WIRE, "{transducer_id}": "dp-402", "{loop_id}": "stair-b"}
    assert len(found) == len(ACTIONS)
    tried: list[tuple[str, int, dict[str, Any]]] = [
        (f"alarms/{WIRE}/acknowledge", 200, ADA), (f"alarms/{WIRE}/acknowledge", 409, ADA),
        (f"alarms/{WIRE}/shelve", 422, ADA),
        ("loops/stair-b/out-of-service", 200, {**ADA, "minutes": 5}),
        ("loops/stair-b/back-in-service", 200, ADA),
    ]  # fmt: skip
    for path in found:
        described = document["paths"][path]["post"]
        assert described["description"]
        assert described["security"] == [{"HTTPBearer": []}]
        real = path.removeprefix("/api/v1/")
        for name, value in names.items():
            real = real.replace(name, value)
        assert real in ACTIONS
        for _, status, body in (t for t in tried if t[0] == real):
            content = described["responses"][str(status)]["content"]
            schema = {**content["application/json"]["schema"], "components": document["components"]}
            answer = await here.do(real, body, status)
            jsonschema.validate(answer, schema, jsonschema.Draft202012Validator)


async def test_every_state_tells_what_can_be_done(here: Here) -> None:
    """What is offered is taken, and what is not is refused, in the states a wire can be in."""

    async def offered() -> list[str]:
        found: list[str] = (await here.get(f"alarms/{WIRE}"))["actions"]
        return found

    assert await offered() == ["acknowledge", "shelve"]
    await here.do(f"alarms/{WIRE}/shelve", {**ADA, "minutes": 5})
    assert await offered() == ["shelve", "unshelve"]
    await here.do("transducers/dp-402/out-of-service", {**ADA, "minutes": 5})
    assert await offered() == ["unshelve"]
    await here.do(f"alarms/{WIRE}/unshelve", BEN)
    assert (await here.get(f"alarms/{WIRE}"))["state"] == State.OUT_OF_SERVICE
    await here.do("transducers/dp-402/back-in-service", BEN)
    assert await offered() == ["acknowledge", "shelve"]
