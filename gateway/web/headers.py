"""Headers on every answer: nothing from elsewhere runs, nothing old is shown from a cache."""

from __future__ import annotations

from http import HTTPStatus

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from .joined import AT

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'; trusted-types 'none'"
)
"""Nothing but our own files, and nothing written into a page: no inline script, style or handler,
and no text that a script makes into markup (Trusted Types). After the strict policy of the OWASP
Content Security Policy Cheat Sheet; 'self' rather than nonces, since every script is a file of
ours."""
HSTS = "max-age=31536000"
"""A year over TLS alone (RFC 6797). Not for names below ours: they may be other machines."""
ALWAYS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), usb=(), serial=()",
}


class SecurityHeaders:
    """Adds ALWAYS, and how long an answer may be kept.

    Files with their digest in the name for ever, other files if asked for again each time, all
    else not at all.
    """

    def __init__(self, app: ASGIApp, *, hsts: bool = False) -> None:
        self._app = app
        self._always = ALWAYS | ({"Strict-Transport-Security": HSTS} if hsts else {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        path: str = scope["path"]

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._always.items():
                    headers[name] = value
                headers["Cache-Control"] = _kept(path, message["status"])
            await send(message)

        await self._app(scope, receive, with_headers)


def _kept(path: str, status: int) -> str:
    if path.startswith(AT) and status == HTTPStatus.OK:
        return "public, max-age=31536000, immutable"
    return "no-cache" if path.startswith("/static/") else "no-store"
