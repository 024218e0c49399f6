"""Signing in and out over HTTP, for the pages."""

from __future__ import annotations

import asyncio
from typing import Annotated

from fastapi import APIRouter, Header, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from gateway.errors import Fault
from gateway.people.names import LONGEST, same
from gateway.people.passwords import MOST
from gateway.people.roles import Role

from .door import Door, address_of, encrypted, must_be_ours
from .gate import network
from .refusals import RefusalError, documented
from .sessions import Session
from .sources import FromApp

MOST_AT_ONCE = 8
"""Passwords that wait to be looked at; one takes 64 MiB and a fifth of a second, one by one."""
SAME = "name or password"
"""Which of the two was wrong is nobody's business."""

router = APIRouter(prefix="/session", tags=["session"])
Token = Annotated[
    str | None,
    Header(alias="X-CSRF-Token", description="`csrf` of this session; pages send it along."),
]


class SignIn(BaseModel):
    """Who, and the proof."""

    model_config = ConfigDict(extra="forbid")

    name: str = Field(max_length=LONGEST)
    password: str = Field(max_length=MOST, json_schema_extra={"format": "password"})


class SessionView(BaseModel):
    """Who is signed in on this browser."""

    person: str = Field(description="Empty: nobody.")
    role: Role | None
    may: list[str] = Field(description="Deeds that this person may do.")
    csrf: str = Field(description="To be sent with every deed, as header X-CSRF-Token.")
    left_s: float = Field(description="Seconds until it ends when nobody does anything.")


def session_view(door: Door, session: Session | None) -> SessionView:
    """A session as pages see it."""
    if session is None:
        return SessionView(person="", role=None, may=[], csrf="", left_s=0.0)
    return SessionView(
        person=session.name, role=session.role, may=door.may(session), csrf=session.csrf,
        left_s=round(door.sessions.left_s(session), 3),
    )  # fmt: skip


@router.get("")
async def who(request: Request, sources: FromApp) -> SessionView:
    """Who is signed in; asking does not count as doing something."""
    return session_view(sources.door, sources.door.session(request))


@router.post("/begin", responses=documented(401, 403, 411, 413, 422, 429, 503))
async def sign_in(
    request: Request, response: Response, sources: FromApp, given: SignIn
) -> SessionView:
    """Sign in from a page of this gateway; the answer sets a cookie."""
    door = sources.door
    must_be_ours(request, None)
    name, address = same(given.name), network(address_of(request))
    wait = door.patience.attempt(name, address)
    if wait > 0:
        seconds = int(wait) + 1
        fault = Fault("body", "too many attempts with a wrong password", f"again in {seconds} s")
        raise RefusalError(429, fault, {"Retry-After": str(seconds)})
    person = door.people().of(given.name)
    right = await _fits(sources, person.hash if person else None, given.password)
    if person is None or not right:
        known = person.name if person else ""
        reason = f"wrong password, from {address}" if person else f"no such name, from {address}"
        door.tell("sign-in refused", known, "gateway", reason, "Sign-in refused")
        raise RefusalError(401, Fault("body", f"not the right {SAME}", "both as they were given"))
    door.patience.right(name, address)
    cookie = door.cookie(request)
    door.sessions.end(request.cookies.get(cookie), "signed in anew")
    token, session = door.sessions.begin(person)
    response.set_cookie(
        cookie, token, path="/", httponly=True, samesite="strict", secure=encrypted(request)
    )
    door.tell("signed in", person.name, person.name, f"from {address}", f"As {person.role}")
    return session_view(door, session)


async def _fits(sources: FromApp, kept: str | None, password: str) -> bool:
    queue = sources.signing
    if queue.waiting >= MOST_AT_ONCE:
        fault = Fault("body", "too many sign in at this moment", "again in a few seconds")
        raise RefusalError(503, fault, {"Retry-After": "3"})
    queue.waiting += 1
    try:
        async with queue.turn:
            return await asyncio.to_thread(sources.door.passwords.fits, kept, password)
    finally:
        queue.waiting -= 1


@router.post("/seen", responses=documented(401, 403, 411, 413))
async def seen(request: Request, sources: FromApp, _csrf: Token = None) -> SessionView:
    """A person is at work: the idle time begins anew."""
    session = sources.door.session(request)
    if session is None:
        raise RefusalError(401, Fault("session", "nobody is signed in", "signing in at /sign-in"))
    must_be_ours(request, session)
    sources.door.sessions.use(session)
    return session_view(sources.door, session)


@router.post("/end", responses=documented(403, 411, 413))
async def sign_out(
    request: Request, response: Response, sources: FromApp, _csrf: Token = None
) -> SessionView:
    """Sign out; also when it is over already."""
    door = sources.door
    cookie, session = door.cookie(request), door.session(request)
    must_be_ours(request, session)
    door.sessions.end(request.cookies.get(cookie), "signed out")
    response.delete_cookie(
        cookie, path="/", httponly=True, samesite="strict", secure=encrypted(request)
    )
    return session_view(door, None)
