"""Signing in over HTTP: the same answer for every failure, what the cookie is, what is refused."""

from __future__ import annotations

import statistics
import time
from dataclasses import replace

import httpx
import pytest
from argon2 import profiles

from gateway.people.book import People, Person
from gateway.people.passwords import Passwords
from gateway.people.roles import Role
from gateway.record.journal import Entry, Search
from gateway.web.app import make_app
from gateway.web.door import Door
from gateway.web.viewing import FREE

from . import persons
from .archive import START, archive
from .feeder import Feeder
from .persons import OLIVE, PASSWORD, TOKEN, VICTOR

pytestmark = pytest.mark.slow

BEGIN = "/api/v1/session/begin"
OURS = {"Origin": "http://gateway"}
HOLDER = {"Authorization": f"Bearer {TOKEN}"}


class Here:
    """An app over one row, its journal, and a clock for sessions and waits."""

    def __init__(self, *, viewing: bool = True) -> None:
        self.now = 1000.0
        self.feeder = Feeder(archive(), clock=lambda: START)
        self.feeder.row(START)
        self.people = persons.people()
        self.door = persons.door(
            self.feeder.note, viewing=viewing, known=lambda: self.people, clock=lambda: self.now
        )
        self.app = make_app(self.feeder.live, self.feeder.past(), door=self.door,
                            clock=lambda: START + 0.5)  # fmt: skip

    def client(self, base: str = "http://gateway", address: str = "192.0.2.7") -> httpx.AsyncClient:
        return httpx.AsyncClient(
            transport=httpx.ASGITransport(self.app, client=(address, 50000)), base_url=base
        )

    def said(self) -> list[Entry]:
        """What the journal has of the door, newest first."""
        return self.feeder.book.page(Search(kind="sign-in"), "", 100).entries


async def entered(
    client: httpx.AsyncClient, name: str = OLIVE, password: str = PASSWORD
) -> httpx.Response:
    origin = {"Origin": str(client.base_url).rstrip("/")}
    return await client.post(BEGIN, json={"name": name, "password": password}, headers=origin)


@pytest.fixture
def here() -> Here:
    return Here()


async def test_signed_in_and_out(here: Here) -> None:
    async with here.client() as client:
        nobody = (await client.get("/api/v1/session")).json()
        assert nobody == {"person": "", "role": None, "may": [], "csrf": "", "left_s": 0.0}
        answer = await entered(client)
        mine = answer.json()
        assert (mine["person"], mine["role"], mine["left_s"]) == (OLIVE, "operator", 900.0)
        assert mine["may"] == ["acknowledge", "reset", "shelve", "unshelve"]
        assert answer.headers["cache-control"] == "no-store"
        cookie = answer.headers["set-cookie"]
        # RFC 6265bis; Secure would make a browser keep it to TLS, which this is not.
        assert cookie.startswith("loopwitness-tests=")
        assert cookie.split("; ", 1)[1] == "HttpOnly; Path=/; SameSite=strict"
        assert (await client.get("/api/v1/session")).json() == mine
        page = (await client.get("/alarms")).text
        assert f'data-person="{OLIVE}"' in page
        assert mine["csrf"] in page
        headers = OURS | {"X-CSRF-Token": mine["csrf"]}
        gone = await client.post("/api/v1/session/end", headers=headers)
        assert gone.status_code == 200
        assert "loopwitness-tests=" in gone.headers["set-cookie"]
        assert "Max-Age=0" in gone.headers["set-cookie"]
        assert (await client.get("/api/v1/session")).json() == nobody
        assert (await client.post("/api/v1/session/seen", headers=headers)).status_code == 401
    assert [(e.phase, e.actor, e.reason) for e in here.said()] == [
        ("signed out", OLIVE, "signed out"), ("signed in", OLIVE, "from 192.0.2.7"),
    ]  # fmt: skip


async def test_over_tls_the_cookie_is_for_tls_alone(here: Here) -> None:
    async with here.client("https://gateway") as client:
        cookie = (await entered(client)).headers["set-cookie"]
        # RFC 6265bis, section 4.1.3.2: Secure, path "/", no domain.
        assert cookie.startswith("__Host-loopwitness-tests=")
        assert cookie.split("; ", 1)[1] == "HttpOnly; Path=/; SameSite=strict; Secure"
        assert (await client.get("/api/v1/session")).json()["person"] == OLIVE


async def test_a_new_sign_in_has_another_token_and_ends_the_old_one(here: Here) -> None:
    async with here.client() as client:
        await entered(client)
        first = client.cookies["loopwitness-tests"]
        await entered(client)
        assert client.cookies["loopwitness-tests"] != first
    async with here.client() as client:
        answer = await client.get(
            "/api/v1/session", headers={"Cookie": f"loopwitness-tests={first}"}
        )
        assert answer.json()["person"] == ""


async def test_a_token_that_somebody_else_chose_is_never_taken(here: Here) -> None:
    async with here.client() as client:
        client.cookies.set("loopwitness-tests", "chosen")
        answer = await entered(client)
        assert "chosen" not in answer.headers["set-cookie"]


@pytest.mark.parametrize(
    ("name", "password"),
    [
        (OLIVE, PASSWORD + "."),
        ("Nobody Example", PASSWORD),
        (OLIVE, ""),
        ("", ""),
        (OLIVE, "x" * 128),
    ],
)
async def test_every_failure_has_the_same_answer(here: Here, name: str, password: str) -> None:
    async with here.client() as client:
        answer = await entered(client, name, password)
    assert answer.status_code == 401
    assert answer.json() == {
        "faults": [{
            "path": "body", "value": "not the right name or password",
            "allowed": "both as they were given",
        }]
    }  # fmt: skip
    assert "set-cookie" not in answer.headers
    (entry,) = here.said()
    assert (entry.phase, entry.actor) == ("sign-in refused", "gateway")
    # A password that was typed into the field of the name must not stand in the journal.
    assert entry.subject == (OLIVE if name == OLIVE else "")
    assert password not in str(entry) or not password


@pytest.mark.alone
async def test_every_failure_takes_the_same_time(here: Here) -> None:
    """An unknown name costs a hash like a known one, so that nobody learns names by a clock."""
    costly = Passwords(replace(profiles.RFC_9106_LOW_MEMORY, memory_cost=8192, parallelism=1))
    known = Person(name=OLIVE, role=Role.OPERATOR, hash=costly.hash(PASSWORD), edition="1")
    here.people = People(people=(known,))
    here.door.passwords = costly
    took: dict[str, list[float]] = {OLIVE: [], "Nobody Example": []}
    async with here.client() as client:
        await entered(client, "first", "of all")
        for _ in range(9):
            for name, times in took.items():
                here.now += 10_000
                begun = time.perf_counter()
                assert (await entered(client, name, "a wrong password")).status_code == 401
                times.append(time.perf_counter() - begun)
    one, other = (statistics.median(times) for times in took.values())
    assert 0.5 < one / other < 2.0, took
    assert min(one, other) > 0.005, "a hash was worked out"


async def test_guessing_is_slowed_by_name_and_by_address(here: Here) -> None:
    async with here.client() as client, here.client(address="192.0.2.8") as other:
        for _ in range(5):
            assert (await entered(client, OLIVE, "wrong")).status_code == 401
        answer = await entered(client)
        assert answer.status_code == 429, "also with the right one: or guessing would go on"
        assert answer.headers["retry-after"] == "2"
        assert (await entered(other)).status_code == 429, "the name, from anywhere"
        assert (await entered(other, VICTOR)).status_code == 200
        here.now += 2
        assert (await entered(client)).status_code == 200
        for k in range(15):
            assert (await entered(client, f"name {k}", "wrong")).status_code == 401
        assert (await entered(client, VICTOR)).status_code == 429, "the address"
        assert (await entered(client)).status_code == 200, "who has signed in here before"


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 403), ({"Origin": "http://elsewhere"}, 403), ({"Origin": "null"}, 403),
        ({"Origin": "http://gateway", "Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403), ({"Sec-Fetch-Site": "same-origin"}, 200),
        ({"Origin": "http://GATEWAY", "Sec-Fetch-Site": "same-origin"}, 200),
    ],
)  # fmt: skip
async def test_nobody_is_signed_in_by_a_foreign_page(
    here: Here, headers: dict[str, str], status: int
) -> None:
    body = {"name": OLIVE, "password": PASSWORD}
    async with here.client() as client:
        answer = await client.post(BEGIN, json=body, headers=headers)
        assert answer.status_code == status
        assert ("set-cookie" in answer.headers) == (status == 200)


async def test_use_keeps_it_and_looking_does_not(here: Here) -> None:
    async with here.client() as client:
        csrf = (await entered(client)).json()["csrf"]
        headers = OURS | {"X-CSRF-Token": csrf}
        here.now += 600
        for path in ("session", "loops", "alarms"):
            assert (await client.get(f"/api/v1/{path}")).status_code == 200
        assert (await client.get("/api/v1/session")).json()["left_s"] == 300.0
        assert (await client.get("/alarms")).status_code == 200, "a page that a person opened"
        assert (await client.get("/api/v1/session")).json()["left_s"] == 900.0
        here.now += 600
        seen = await client.post("/api/v1/session/seen", headers=headers)
        assert seen.json()["left_s"] == 900.0
        here.now += 901
        assert (await client.get("/api/v1/session")).json()["person"] == ""
    assert here.said()[0].reason == "nothing was done"


async def test_a_deed_in_another_name_is_refused(here: Here) -> None:
    async with here.client() as client:
        headers = OURS | {"X-CSRF-Token": (await entered(client)).json()["csrf"]}
        path = "/api/v1/alarms/open-circuit:dp-402/acknowledge"
        answer = await client.post(path, json={"person": "Ada Night"}, headers=headers)
        assert answer.status_code == 422
        (fault,) = answer.json()["faults"]
        assert fault["path"] == "body.person"
        assert OLIVE in fault["allowed"]


LOOKING = ("/", "/alarms", "/loops/stair-b", "/checks", "/system", "/export", "/nowhere")
READING = (
    "/api/v1/loops", "/api/v1/alarms", "/api/v1/journal", "/api/v1/stream/frame", "/metrics",
    "/api/v1/openapi.json", "/api/v1/export", "/api/v1/nowhere",
)  # fmt: skip


async def test_where_viewing_is_closed_nothing_is_shown_to_nobody() -> None:
    here = Here(viewing=False)
    html = {"Accept": "text/html,application/xhtml+xml"}
    async with here.client() as client:
        for path in LOOKING:
            answer = await client.get(f"{path}?a=1&b=2", headers=html)
            assert answer.status_code == 303, path
            back = f"{path}?a=1&b=2".replace("/", "%2F").replace("?", "%3F")
            back = back.replace("=", "%3D").replace("&", "%26")
            assert answer.headers["location"] == f"/sign-in?next={back}"
        for path in (*READING, "/"):
            answer = await client.get(path)
            assert answer.status_code == 401, path
            assert answer.json()["faults"][0]["path"] == "session"
            assert answer.headers["x-frame-options"] == "DENY"
        answer = await client.post("/api/v1/alarms/x/acknowledge", json={})
        assert answer.status_code == 401
        for path in FREE - {"/api/v1/session/begin", "/api/v1/session/seen", "/api/v1/session/end"}:
            assert (await client.get(path, headers=html)).status_code == 200, path
        assert (await client.get("/static/page.css")).status_code == 200
        health = (await client.get("/healthz")).json()
        assert (health["ok"], health["reason"], health["troubles"]) == (True, "", {})
        assert health["row_age_s"] is None
        page = (await client.get("/sign-in", headers=html)).text
        assert "dp-201" not in page, "the sign-in page tells nothing of the plant"
        for path in READING[:3]:
            assert (await client.get(path, headers=HOLDER)).status_code == 200, "a program"
            wrong = await client.get(path, headers={"Authorization": "Bearer wrong"})
            assert wrong.status_code == 401
        await entered(client, VICTOR)
        for path in LOOKING[:3]:
            assert (await client.get(path, headers=html)).status_code == 200
        for path in READING[:3]:
            assert (await client.get(path)).status_code == 200
        assert (await client.get("/healthz")).json()["row_age_s"] == 0.5
        here.now += 901
        assert (await client.get("/api/v1/loops")).status_code == 401


async def test_where_viewing_is_open_a_broken_cookie_changes_nothing(here: Here) -> None:
    async with here.client() as client:
        for cookie in ("loopwitness-tests=x", "loopwitness-tests=", "=;;;", "a"):
            headers = {"Cookie": cookie}
            assert (await client.get("/api/v1/loops", headers=headers)).status_code == 200
            assert (await client.get("/", headers=headers)).status_code == 200


def test_a_door_lets_everybody_look_and_nobody_act_unless_it_is_told() -> None:
    door = Door()
    assert door.viewing
    assert not door.gate.open
    assert door.people().people == ()
