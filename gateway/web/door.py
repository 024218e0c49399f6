"""Who is at the door: a person who has signed in, a program with the local token, or nobody."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from fastapi import Request
from starlette.requests import HTTPConnection

from gateway.errors import Fault
from gateway.people.book import People
from gateway.people.passwords import Passwords
from gateway.people.roles import DEEDS, deeds_of
from gateway.record.journal import Entry

from .gate import Gate
from .patience import Patience
from .permits import SAFE, deed_of
from .refusals import RefusalError
from .sessions import Session, Sessions

CSRF = "X-CSRF-Token"
KIND = "sign-in"
BY_TOKEN = "{} (local token)"  # noqa: S105 - how such a name is written
"""Protocols stand in brackets: nobody has checked that it is this person."""


@dataclass(frozen=True)
class Admission:
    """Who acts. session: None with the local token."""

    session: Session | None

    def acts_as(self, given: str | None) -> str:
        """The name for the journal; given: what the body says. RefusalError (422).

        Whoever is signed in acts in their own name, whatever the body says.
        """
        if self.session is None:
            if given is None:
                raise RefusalError(
                    422, Fault("body.person", "nothing", "a value: it must be given")
                )
            return BY_TOKEN.format(given)
        if given is not None and given != self.session.name:
            allowed = f"{self.session.name}, who is signed in, or nothing"
            raise RefusalError(422, Fault("body.person", repr(given)[:100], allowed))
        return self.session.name


@dataclass
class Door:
    """What decides who may look and who may act.

    gate: the local token. note: puts an entry into the journal. viewing: whether looking is for
    everybody. site: its id, for the name of the cookie. clock: seconds since 1970.
    """

    gate: Gate = field(default_factory=Gate)
    people: Callable[[], People] = People
    sessions: Sessions = field(default_factory=lambda: Sessions(People))
    patience: Patience = field(default_factory=Patience)
    passwords: Passwords = field(default_factory=Passwords)
    note: Callable[[Entry], None] = lambda _: None
    viewing: bool = True
    site: str = ""
    clock: Callable[[], float] = time.time

    def cookie(self, asked: HTTPConnection) -> str:
        """The name of the cookie. Cookies know no ports, so each site has its own.

        With TLS it has the prefix that browsers take from this very host over TLS alone (RFC
        6265bis, section 4.1.3.2).
        """
        name = f"loopwitness-{self.site}" if self.site else "loopwitness"
        return f"__Host-{name}" if encrypted(asked) else name

    def session(self, asked: HTTPConnection) -> Session | None:
        """Who is signed in on the browser that asks."""
        return self.sessions.of(asked.cookies.get(self.cookie(asked)))

    def may_look(self, asked: HTTPConnection) -> bool:
        """Whether pages and values are for whoever asks. RefusalError: a wrong token."""
        if self.viewing or self.session(asked) is not None:
            return True
        token = bearer_of(asked.headers)
        if token is None:
            return False
        self.gate.prove(address_of(asked), token)
        return True

    def admit(self, asked: Request, token: str | None) -> Admission:
        """Who acts by this request. token: the bearer's. RefusalError: 401, 403, 429."""
        self.gate.must_be_open()
        session = None if token is not None else self.session(asked)
        if session is None:
            self.gate.admit(address_of(asked), token)
            return Admission(None)
        if asked.method not in SAFE:
            must_be_ours(asked, session)
            self.sessions.use(session)
        deed = deed_of(asked.method, asked.scope["route"].path)
        least = DEEDS.get(deed)
        if least is None or not session.role.covers(least):
            needed = f"{least or 'nobody'}: {session.name} is {session.role}"
            raise RefusalError(403, Fault(deed or asked.url.path[:200], "not allowed", needed))
        return Admission(session)

    def may(self, session: Session | None) -> list[str]:
        """Deeds that this person may do here."""
        return deeds_of(session.role) if session and self.gate.open else []

    def tell(self, event: str, name: str, actor: str, reason: str, words: str) -> None:
        """Put what happened at the door into the journal."""
        self.note(
            Entry(0, round(self.clock() * 1000), KIND, name, phase=event, actor=actor,
                  reason=reason, body={"message": words})
        )  # fmt: skip


def must_be_ours(asked: Request, session: Session | None) -> None:
    """RefusalError (403) unless one of our own pages asks.

    Two independent checks, as the OWASP CSRF Prevention Cheat Sheet has them: where the browser
    says that the request comes from, and what only a page of this session can know. A request that
    says nothing of where it comes from is refused: every browser says it of a POST.
    """
    origin, site = asked.headers.get("origin"), asked.headers.get("sec-fetch-site")
    host = asked.headers.get("host", "")
    if origin is None and site is None:
        raise _forged("header.origin", "not given", "that of this gateway")
    if origin is not None and urlsplit(origin).netloc.casefold() != host.casefold():
        raise _forged("header.origin", repr(origin)[:100], f"that of this gateway, {host[:100]}")
    if site not in (None, "same-origin"):
        raise _forged("header.sec-fetch-site", repr(site)[:100], "same-origin")
    given = asked.headers.get(CSRF, "")
    if session is not None and not secrets.compare_digest(given.encode(), session.csrf.encode()):
        said = "not that of this session" if given else "not given"
        raise _forged(f"header.{CSRF.lower()}", said, "csrf of GET /api/v1/session")


def _forged(path: str, value: str, allowed: str) -> RefusalError:
    return RefusalError(403, Fault(path, value, allowed))


def encrypted(asked: HTTPConnection) -> bool:
    """Whether it came over TLS: to us, or to a proxy on this machine that says so."""
    return str(asked.scope.get("scheme", "")) == "https"


def address_of(asked: HTTPConnection) -> str:
    """Where it came from; a proxy on this machine says from where."""
    return asked.client.host if asked.client else ""


def bearer_of(headers: Mapping[str, str]) -> str | None:
    """The token of an Authorization header."""
    scheme, _, token = headers.get("authorization", "").partition(" ")
    return token.strip() if scheme.casefold() == "bearer" else None
