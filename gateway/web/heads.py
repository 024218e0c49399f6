"""HEAD for what is looked at: monitors and load balancers ask so whether somebody is there."""

from __future__ import annotations

from starlette.types import ASGIApp, Receive, Scope, Send


class Heads:
    """Lets pages, files, `/healthz` and `/metrics` take a HEAD for a GET (RFC 9110, 9.3.2).

    The server leaves the body out. The interface is as it describes itself: its streams would
    never end, and its exports are work.
    """

    def __init__(self, app: ASGIApp, interface: str) -> None:
        self._app = app
        self._interface = f"{interface}/"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        head = scope["type"] == "http" and scope["method"] == "HEAD"
        if head and not scope["path"].startswith(self._interface):
            scope = {**scope, "method": "GET"}
        await self._app(scope, receive, send)
