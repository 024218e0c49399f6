"""A running gateway asked over its own HTTP interface, by whoever may read its token."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from http.client import HTTPConnection, HTTPException, HTTPResponse
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

from gateway.errors import LinkError, StartError

PREFIX = "/api/v1"
TIMEOUT_S = 30.0
"""Longest wait for an answer; a record takes a second or two to make."""


class GatewayError(LinkError):
    """The gateway does not answer, or says no; in its own words."""

    def __init__(self, message: str, status: int = 0) -> None:
        super().__init__(message)
        self.status = status


def token_of(file: Path) -> str:
    """The token that lets people act; StartError when it cannot be read."""
    try:
        return file.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "not a token"
        raise StartError(
            f"{file}: {why}; allowed: the file http-token in the state folder of a gateway that "
            "runs here (LOOPWITNESS_STATE_DIR)"
        ) from None


class Gateway:
    """One gateway. address: http://HOST:PORT; nothing else is spoken.

    token: gives what lets people act, asked for when it is needed: a gateway that starts for the
    first time makes it before it answers anything.
    """

    def __init__(self, address: str, token: Callable[[], str]) -> None:
        parts = urlsplit(address)
        if parts.scheme != "http" or not parts.hostname:
            raise StartError(f"{address}: allowed: http://HOST:PORT")
        self.address = f"http://{parts.netloc}"
        self._host, self._port, self._token = parts.hostname, parts.port or 80, token

    def must_let_act(self) -> None:
        """StartError when there is no token to be had."""
        self._token()

    def get(self, *path: str) -> Any:
        """What stands there, as JSON."""
        return json.loads(self.read(*path))

    def read(self, *path: str) -> bytes:
        """What stands there."""
        return self._ask("GET", path, None)

    def post(self, body: Mapping[str, Any], *path: str) -> Any:
        """Do something; the answer."""
        return json.loads(self._ask("POST", path, json.dumps(body).encode()))

    def _ask(self, method: str, path: tuple[str, ...], body: bytes | None) -> bytes:
        where = PREFIX + "".join(f"/{quote(part, safe='')}" for part in path)
        headers = {"Authorization": f"Bearer {self._token()}"} if body is not None else {}
        headers |= {"Content-Type": "application/json"} if body is not None else {}
        connection = HTTPConnection(self._host, self._port, timeout=TIMEOUT_S)
        try:
            connection.request(method, where, body, headers)
            answer = connection.getresponse()
            text = answer.read()
        except (OSError, HTTPException) as error:
            raise GatewayError(
                f"{self.address}: no answer from the gateway ({error or type(error).__name__}); "
                "allowed: the address of one that runs (LOOPWITNESS_HTTP_PORT, or --address)"
            ) from None
        finally:
            connection.close()
        if answer.status != 200:
            raise GatewayError(_said(answer, text), answer.status)
        return text


def _said(answer: HTTPResponse, text: bytes) -> str:
    try:
        faults = json.loads(text)["faults"]
        return "\n".join(f"{f['path']}: {f['value']}; allowed: {f['allowed']}" for f in faults)
    except (ValueError, KeyError, TypeError):
        return f"{answer.status} {answer.reason}"
