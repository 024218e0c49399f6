"""Four people, one of each role, for a gateway of the tests; their passwords cost nothing."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import cache

from argon2 import profiles
from playwright.async_api import Page

from gateway.people.book import People, Person
from gateway.people.passwords import Passwords
from gateway.people.roles import Role
from gateway.record.journal import Entry
from gateway.web.door import Door
from gateway.web.gate import Gate
from gateway.web.patience import Patience
from gateway.web.sessions import Session, Sessions

TOKEN = "of-harbour-street-0123456789"  # noqa: S105 - of the tests alone
"""What programs that act must hold."""
PASSWORD = "the tide turns at noon"  # noqa: S105 - of the tests alone
VICTOR, OLIVE, TESS, ADA = "Victor Example", "Olive Example", "Tess Example", "Ada Example"
ROLES = dict(zip((VICTOR, OLIVE, TESS, ADA), Role, strict=True))
CHEAP = Passwords(profiles.CHEAPEST)


@cache
def people() -> People:
    """The four."""
    rows = [Person(name=k, role=v, hash=CHEAP.hash(PASSWORD), edition=k) for k, v in ROLES.items()]
    return People(people=tuple(sorted(rows, key=lambda one: one.name)))


def door(
    note: Callable[[Entry], None] = lambda _: None,
    *,
    viewing: bool = True,
    idle_s: float = 900.0,
    token: str = TOKEN,
    known: Callable[[], People] = people,
    clock: Callable[[], float] = time.monotonic,
) -> Door:
    """A door for the four and for whoever holds TOKEN. clock: of sessions and of patience."""

    def ended(one: Session) -> None:
        made.tell("signed out", one.name, one.name, one.ended, f"As {one.role}")

    sessions = Sessions(known, idle_s=idle_s, ended=ended, clock=clock)
    made = Door(
        Gate(token), known, sessions, Patience(clock), CHEAP, note, viewing=viewing, site="tests"
    )
    return made


async def signed_in(page: Page, address: str, name: str) -> None:
    """Sign in on the browser of a page, without its sign-in page; then look at the page anew."""
    answer = await page.request.post(
        f"{address}api/v1/session/begin",
        data={"name": name, "password": PASSWORD},
        headers={"Origin": address.rstrip("/")},
    )
    assert answer.status == 200, await answer.text()
    await page.reload()
