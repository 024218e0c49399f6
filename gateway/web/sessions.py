"""Who is signed in, on which browser, and until when. In memory: a new start signs everybody out.

A session is 256 random bits in a cookie; only their hash is kept here, so that nobody who gets a
look at this memory, or at a dump of it, can be somebody else.
"""

from __future__ import annotations

import secrets
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256

from gateway.people.book import People, Person
from gateway.people.roles import Role

MOST, MOST_OF_ONE = 500, 20
"""Sessions at a time, and of one person; the one unused for longest goes first."""
BYTES = 32
"""Of a token: 256 bits; the OWASP Session Management Cheat Sheet asks for at least 64."""


@dataclass
class Session:
    """One person on one browser. csrf: what its pages must send along; seen: its latest use."""

    person: Person
    csrf: str
    begun: float
    seen: float
    ended: str = ""
    """Why it is over; empty while it lasts."""

    @property
    def name(self) -> str:
        """As it stands in the journal."""
        return self.person.name

    @property
    def role(self) -> Role:
        """As it was when it began: another role ends it."""
        return self.person.role


class Sessions:
    """Begun, found by their token, ended. idle_s, longest_s: without use, and in all.

    people: as they are now. ended: told of each that is over. clock: seconds.
    """

    def __init__(
        self,
        people: Callable[[], People],
        *,
        idle_s: float = 900.0,
        longest_s: float = 8 * 3600.0,
        ended: Callable[[Session], None] = lambda _: None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.idle_s, self.longest_s = idle_s, longest_s
        self._people, self._told, self._clock = people, ended, clock
        self._open: dict[bytes, Session] = {}

    def begin(self, person: Person) -> tuple[str, Session]:
        """A session of a person who has shown to be that; the token for the cookie."""
        self._sweep()
        mine = [k for k, one in self._open.items() if one.name == person.name]
        for many, most in ((mine, MOST_OF_ONE), (list(self._open), MOST)):
            if len(many) >= most:
                oldest = min(many, key=lambda k: self._open[k].seen)
                self._end(oldest, "too many other sessions")
        token, now = secrets.token_urlsafe(BYTES), self._clock()
        session = Session(person, secrets.token_urlsafe(BYTES), now, now)
        self._open[_key(token)] = session
        return token, session

    def of(self, token: str | None) -> Session | None:
        """The session of a token; None when there is none, or it is over."""
        if not token:
            return None
        self._sweep()
        return self._open.get(_key(token))

    def lasts(self, session: Session) -> bool:
        """Whether it goes on at this instant."""
        self._sweep()
        return not session.ended

    def use(self, session: Session) -> None:
        """A person did something: the idle time begins anew."""
        session.seen = self._clock()

    def left_s(self, session: Session) -> float:
        """Seconds until it is over, when nobody does anything."""
        idle = session.seen + self.idle_s
        return max(0.0, min(idle, session.begun + self.longest_s) - self._clock())

    def end(self, token: str | None, reason: str) -> None:
        """End the session of a token, if there is one."""
        if token and (key := _key(token)) in self._open:
            self._end(key, reason)

    def end_all(self, name: str, reason: str) -> None:
        """End every session of a person."""
        for key in [k for k, one in self._open.items() if one.name == name]:
            self._end(key, reason)

    def counts(self) -> Counter[str]:
        """How many sessions each person has."""
        self._sweep()
        return Counter(one.name for one in self._open.values())

    def _sweep(self) -> None:
        """End what is over: by time, or since the person is another one than at its beginning."""
        if not self._open:
            return
        now, people = self._clock(), {one.name: one.edition for one in self._people().people}
        for key, one in list(self._open.items()):
            if people.get(one.name) != one.person.edition:
                self._end(key, "role or password changed, or removed")
            elif now - one.begun >= self.longest_s:
                self._end(key, "its longest time is over")
            elif now - one.seen >= self.idle_s:
                self._end(key, "nothing was done")

    def _end(self, key: bytes, reason: str) -> None:
        session = self._open.pop(key)
        session.ended = reason
        self._told(session)


def _key(token: str) -> bytes:
    return sha256(token.encode()).digest()
