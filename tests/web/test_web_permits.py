"""Every route that changes something, against everybody who may come: the table of deeds and roles.

A new route fails here, and keeps the gateway from starting, until the table says which deed it is.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import APIRouter, FastAPI
from starlette.routing import BaseRoute

from gateway.alarm.actions import Action
from gateway.checking.checks import Open
from gateway.people.roles import DEEDS, Role
from gateway.web import permits
from gateway.web.app import make_app
from gateway.web.past import stored
from gateway.web.permits import API, OPEN, ROUTES
from tests.checking.bench import bench

from . import persons
from .persons import PASSWORD, ROLES, TOKEN
from .test_web_loopchecks import WANTED

pytestmark = pytest.mark.slow

HOME = "http://gateway"
OURS = {"Origin": HOME}
LEAST = {
    "acknowledge": Role.OPERATOR, "reset": Role.OPERATOR, "shelve": Role.OPERATOR,
    "unshelve": Role.OPERATOR, "out-of-service": Role.TECHNICIAN,
    "back-in-service": Role.TECHNICIAN, "check": Role.TECHNICIAN, "relearn": Role.TECHNICIAN,
    "people": Role.ADMINISTRATOR,
}  # fmt: skip
"""What was asked for: a viewer looks; an operator acknowledges and shelves; a technician also takes
out of service, checks loops, lets them be learnt anew; an administrator also manages people."""
WHY: dict[str, Any] = {"reason": "spare part"}
BODIES: dict[str, dict[str, Any]] = {
    "shelve": {**WHY, "minutes": 5}, "out-of-service": {**WHY, "minutes": 5},
    "checks": {k: v for k, v in WANTED.items() if k != "person"}, "applied": {"step": "zero"},
    "repeat": {"step": "zero"}, "skip": {"step": "zero", **WHY}, "abandon": WHY,
    "relearn": WHY, "decide": {"transducer": "p1", "adjusted": False}, "note": {"text": "a remark"},
}  # fmt: skip
"""What a route asks for beside the person, by the last word of its path."""


@dataclass
class Here:
    """An app in which every deed can be done; `done` has who did it."""

    app: FastAPI
    check: Open
    done: list[str] = field(default_factory=list)

    def client(self) -> httpx.AsyncClient:
        return httpx.AsyncClient(transport=httpx.ASGITransport(self.app), base_url=HOME)

    def address(self, path: str) -> str:
        return path.format(
            alarm_id="open-circuit:p1",
            transducer_id="p1",
            loop_id="stair",
            name=self.check.name,
            person=persons.VICTOR,
        )

    async def act(self, action: Action) -> tuple[()]:
        self.done.append(action.actor)
        return ()

    async def tell(self, _name: str, event: Any) -> Open:
        self.done.append(event.person)
        return self.check

    async def say(self, _what: object, person: str, _why: str = "") -> Open:
        self.done.append(person)
        return self.check


@pytest.fixture
async def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Here]:
    """What is done is only noted: whether it can be is the matter of other tests."""
    async with bench(tmp_path) as there:
        await there.rows(2)
        live, checks = there.there.live, there.checks
        app = make_app(
            live, stored(there.there.store.file), door=persons.door(), checks=checks,
            clock=lambda: there.now, relearn=lambda *said: found.done.append(said[-1]),
        )  # fmt: skip
        async with httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url=HOME) as client:
            bearer = {"Authorization": f"Bearer {TOKEN}"}
            begun = await client.post(f"{API}/checks", json=WANTED, headers=bearer)
        assert begun.status_code == 200, begun.text
        found = Here(app, checks.open[begun.json()["name"]])
        monkeypatch.setattr(live.alarms, "act", found.act)
        monkeypatch.setattr(checks, "tell", found.tell)
        monkeypatch.setattr(checks, "begin", found.say)
        monkeypatch.setattr(checks, "force", found.say)
        yield found


async def csrf_of(client: httpx.AsyncClient, name: str) -> dict[str, str]:
    """Sign in; the headers that a page of ours sends."""
    body = {"name": name, "password": PASSWORD}
    answer = await client.post(f"{API}/session/begin", json=body, headers=OURS)
    assert answer.status_code == 200, answer.text
    return OURS | {"X-CSRF-Token": answer.json()["csrf"]}


DEED_ROUTES = [(method, path, deed) for (method, path), deed in ROUTES.items() if deed != OPEN]


def test_the_table_says_what_was_asked_for() -> None:
    assert dict(DEEDS) == LEAST
    assert len(DEED_ROUTES) >= 19


async def test_every_route_against_every_role(here: Here) -> None:
    tried = 0
    for name, role in [(None, None), *ROLES.items()]:
        async with here.client() as client:
            headers = OURS if name is None else await csrf_of(client, name)
            for method, path, deed in DEED_ROUTES:
                here.done.clear()
                body = BODIES.get(path.rsplit("/", 1)[-1], {})
                answer = await client.request(
                    method, here.address(path), json=body, headers=headers
                )
                said = f"{name or 'nobody'} {path}: {answer.status_code} {answer.text}"
                if role is None:
                    assert answer.status_code == 401, said
                elif not role.covers(LEAST[deed]):
                    assert answer.status_code == 403, said
                    assert f"{name} is {role}" in answer.text
                else:
                    assert answer.status_code == 200, said
                noted = answer.status_code == 200 and deed != "people"
                assert set(here.done) == ({name} if noted else set()), said
                tried += 1
    assert tried == 5 * len(DEED_ROUTES)


async def test_the_local_token_may_do_everything_in_a_name_that_it_gives(here: Here) -> None:
    async with here.client() as client:
        for method, path, deed in DEED_ROUTES:
            if deed == "people":
                continue
            here.done.clear()
            body = BODIES.get(path.rsplit("/", 1)[-1], {}) | {"person": "Ada Night"}
            answer = await client.request(
                method, here.address(path), json=body, headers={"Authorization": f"Bearer {TOKEN}"}
            )
            assert answer.status_code == 200, f"{path}: {answer.text}"
            assert set(here.done) == {"Ada Night (local token)"}


async def test_a_page_of_somewhere_else_can_do_nothing(here: Here) -> None:
    """With the cookie, as a browser would send it if it sent it at all."""
    async with here.client() as client:
        ours = await csrf_of(client, persons.ADA)
        foreign: list[dict[str, str]] = [
            {},
            {"X-CSRF-Token": ours["X-CSRF-Token"]},
            OURS,
            OURS | {"X-CSRF-Token": "guessed"},
            ours | {"Origin": "http://elsewhere"},
            ours | {"Origin": "null"},
            ours | {"Origin": f"{HOME}.elsewhere"},
            ours | {"Origin": f"{HOME}:8601"},
            ours | {"Sec-Fetch-Site": "cross-site"},
            ours | {"Sec-Fetch-Site": "same-site"},
            ours | {"Sec-Fetch-Site": "none"},
        ]
        for method, path, _ in DEED_ROUTES:
            if method in permits.SAFE:
                continue
            body = BODIES.get(path.rsplit("/", 1)[-1], {})
            for headers in foreign:
                answer = await client.request(
                    method, here.address(path), json=body, headers=headers
                )
                assert answer.status_code == 403, f"{path} {headers}: {answer.text}"
        for path in ("seen", "end"):
            for headers in foreign:
                answer = await client.post(f"{API}/session/{path}", headers=headers)
                assert answer.status_code == 403, f"{path} {headers}"
        assert here.done == []
        answer = await client.get(f"{API}/session")
        assert answer.json()["person"] == persons.ADA, "still signed in"


async def test_an_administrator_sees_who_is_there_and_signs_somebody_out(here: Here) -> None:
    async with here.client() as victor, here.client() as client:
        theirs = await csrf_of(victor, persons.VICTOR)
        refused = await victor.get(f"{API}/people", headers=theirs)
        assert refused.status_code == 403
        headers = await csrf_of(client, persons.ADA)
        people = {one["name"]: one for one in (await client.get(f"{API}/people")).json()}
        assert {k: v["role"] for k, v in people.items()} == {k: v.value for k, v in ROLES.items()}
        assert {k for k, v in people.items() if v["signed_in"]} == {persons.VICTOR, persons.ADA}
        assert "hash" not in str(people)
        gone = await client.post(f"{API}/people/victor example/sign-out", headers=headers)
        left = {one["name"] for one in gone.json() if one["signed_in"]}
        assert left == {persons.ADA}
        assert (await victor.get(f"{API}/session")).json()["person"] == ""
        unknown = await client.post(f"{API}/people/nobody/sign-out", headers=headers)
        assert unknown.status_code == 404


def test_the_table_and_the_description_have_the_same_routes(here: Here) -> None:
    paths = here.app.openapi()["paths"].items()
    described = {
        (method.upper(), path)
        for path, methods in paths
        for method in methods
        if method.upper() not in permits.SAFE
    }
    changing = {one for one in ROUTES if one[0] not in permits.SAFE}
    assert described == changing
    assert permits.unsafe(here.app.routes) == sorted(changing)


def test_a_route_of_which_nobody_said_who_may_keeps_the_gateway_from_starting(here: Here) -> None:
    router = APIRouter()

    @router.delete("/loops/{loop_id}")
    async def forget(loop_id: str) -> str:
        return loop_id

    app = FastAPI()
    app.include_router(router, prefix=API)
    with pytest.raises(ValueError, match=r"no role is said for \[\('DELETE', '/api/v1/loops"):
        permits.all_listed(app.routes)
    with pytest.raises(ValueError, match="a kind of route"):
        permits.all_listed([BaseRoute()])
    permits.all_listed(here.app.routes)
