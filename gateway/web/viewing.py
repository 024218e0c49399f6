"""Where looking needs a person: everything but signing in is refused to whoever has not."""

from __future__ import annotations

from urllib.parse import quote

from starlette.requests import HTTPConnection
from starlette.responses import RedirectResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from gateway.errors import Fault

from .door import Door
from .refusals import RefusalError, answer

SIGN_IN = "/sign-in"
FREE = frozenset(
    {SIGN_IN, "/healthz", *(f"/api/v1/session{way}" for way in ("", "/begin", "/seen", "/end"))}
)
"""What signing in needs, and whether rows are made: without a word on why not."""
FILES = "/static/"
LOOKING = ("GET", "HEAD")


class SignedInOnly:
    """Answers 401, or leads to the sign-in page, unless whoever asks may look."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app, self._door = app, door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        app = self._app
        if scope["type"] == "http" and not _free(scope["path"]):
            asked = HTTPConnection(scope)
            try:
                if not self._door.may_look(asked):
                    app = _refused(asked)
            except RefusalError as error:
                app = answer(error.status, [error.fault], error.headers)
        await app(scope, receive, send)


def _free(path: str) -> bool:
    return path in FREE or path.startswith(FILES)


def _refused(asked: HTTPConnection) -> ASGIApp:
    path = asked.url.path
    page = asked.scope["method"] in LOOKING and not path.startswith("/api/")
    if page and "text/html" in asked.headers.get("accept", ""):
        back = path + (f"?{asked.url.query}" if asked.url.query else "")
        return RedirectResponse(f"{SIGN_IN}?next={quote(back, safe='')}", status_code=303)
    fault = Fault("session", "nobody is signed in", "signing in at /sign-in")
    return answer(401, [fault], {"WWW-Authenticate": 'Bearer realm="loopwitness"'})


def way_back(wanted: str) -> str:
    """A path of our own to go to after signing in; "/" for anything else.

    A browser takes two slashes, of either kind, for the beginning of another server's name.
    """
    inside = wanted.startswith("/") and not wanted.startswith(("//", "/\\", SIGN_IN))
    return wanted if inside and wanted.isprintable() and "\\" not in wanted else "/"
