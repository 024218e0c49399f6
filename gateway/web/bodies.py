"""Requests carry little: what is longer is refused before it is read."""

from __future__ import annotations

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

from gateway.errors import Fault

from .refusals import answer

LONGEST = 16_384
READING = ("GET", "HEAD", "OPTIONS")


class ShortBodies:
    """Answers 413 to a long body, and 411 to one of unknown length."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] == "http" and (fault := _too_much(scope)):
            await answer(*fault)(scope, receive, send)
        else:
            await self._app(scope, receive, send)


def _too_much(scope: Scope) -> tuple[int, list[Fault]] | None:
    headers = Headers(scope=scope)
    length = headers.get("content-length")
    path, allowed = "header.content-length", f"at most {LONGEST} bytes"
    if length is None or not length.isdecimal():
        chunked = "transfer-encoding" in headers or scope["method"] not in READING
        return (411, [Fault(path, length or "not given", allowed)]) if chunked else None
    return (413, [Fault(path, length, allowed)]) if int(length) > LONGEST else None
