"""Every route that is not for everybody who may look, with its deed; roles stand in `roles.py`.

One that changes something and is not here does not start: see `all_listed`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from starlette.routing import BaseRoute, Mount

from gateway.people.roles import DEEDS

API = "/api/v1"
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
"""Methods that change nothing: RFC 9110, section 9.2.1."""
OPEN = "sign-in"
"""For whoever wants to sign in or out: no role, but checked for forgery all the same."""

_CHECKS = (
    "applied", "take", "repeat", "skip", "decide", "note", "pause", "resume", "finish", "abandon",
)  # fmt: skip

ROUTES: Mapping[tuple[str, str], str] = {
    **{("POST", f"{API}/alarms/{{alarm_id}}/{deed}"): deed
       for deed in ("acknowledge", "reset", "shelve", "unshelve")},
    **{("POST", f"{API}/{place}/{deed}"): deed
       for place in ("transducers/{transducer_id}", "loops/{loop_id}")
       for deed in ("out-of-service", "back-in-service")},
    ("POST", f"{API}/loops/{{loop_id}}/relearn"): "relearn",
    ("POST", f"{API}/checks"): "check",
    **{("POST", f"{API}/checks/open/{{name}}/{step}"): "check" for step in _CHECKS},
    ("GET", f"{API}/people"): "people",
    ("POST", f"{API}/people/{{person}}/sign-out"): "people",
    ("POST", f"{API}/session/begin"): OPEN,
    ("POST", f"{API}/session/seen"): OPEN,
    ("POST", f"{API}/session/end"): OPEN,
}  # fmt: skip
"""Method and path, as the description of the interface has them, and the deed."""


def deed_of(method: str, path: str) -> str:
    """The deed of a route, "" for one that is not here."""
    return ROUTES.get((method, API + path.removeprefix(API)), "")


def all_listed(routes: Iterable[BaseRoute]) -> None:
    """ValueError when a route that changes something is not in ROUTES: nobody said who may."""
    missing = [one for one in unsafe(routes) if one not in ROUTES]
    unknown = {deed for deed in ROUTES.values() if deed not in DEEDS and deed != OPEN}
    if missing or unknown:
        raise ValueError(f"no role is said for {missing or sorted(unknown)}")


def unsafe(routes: Iterable[BaseRoute]) -> list[tuple[str, str]]:
    """Method and path of every route that changes something; ValueError for an unknown kind.

    The library keeps included routers as routes of their own, whose paths lack our prefix.
    """
    found: list[tuple[str, str]] = []
    for route in routes:
        inside, path = getattr(route, "original_router", None), getattr(route, "path", None)
        if inside is not None:
            found += unsafe(inside.routes)
        elif path is None:
            raise ValueError(f"{route!r}: a kind of route that is not known here")
        elif not isinstance(route, Mount):  # files: they answer GET and HEAD alone
            methods = getattr(route, "methods", None) or set()
            found += [(method, API + path.removeprefix(API)) for method in methods - SAFE]
    return sorted(found)
