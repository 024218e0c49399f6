"""A running gateway asked over its own HTTP interface, by whoever may read its token."""

from __future__ import annotations

import json
import ssl
from collections.abc import Callable, Mapping
from http import HTTPStatus
from http.client import HTTPConnection, HTTPException, HTTPResponse, HTTPSConnection
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


def trusting(cert: Path) -> ssl.SSLContext:
    """For a gateway on this machine: its own certificate and no other, whatever name it is for.

    StartError when the file cannot be used.
    """
    try:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname = False
        context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
        context.load_verify_locations(cafile=cert)
    except OSError as error:
        raise StartError(
            f"{cert}: {error.strerror or error}; allowed: a certificate (PEM)"
        ) from None
    return context


class Gateway:
    """One gateway. address: http://HOST:PORT or https://HOST:PORT; nothing else is spoken.

    token: gives what lets people act, asked for when it is needed: a gateway that starts for the
    first time makes it before it answers anything. tls: what is trusted over https; else what this
    machine trusts.
    """

    def __init__(
        self, address: str, token: Callable[[], str], tls: ssl.SSLContext | None = None
    ) -> None:
        parts = urlsplit(address)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise StartError(f"{address}: allowed: http://HOST:PORT or https://HOST:PORT")
        self.address = f"{parts.scheme}://{parts.netloc}"
        self._host, self._port, self._token = parts.hostname, parts.port, token
        encrypted = parts.scheme == "https"
        self._tls = tls or ssl.create_default_context() if encrypted else None

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
        answer, text = self._answer(method, path, body, with_token=body is not None)
        if answer.status == HTTPStatus.UNAUTHORIZED and body is None:  # looking needs it, too
            answer, text = self._answer(method, path, body, with_token=True)
        if answer.status != HTTPStatus.OK:
            raise GatewayError(_said(answer, text), answer.status)
        return text

    def _answer(
        self, method: str, path: tuple[str, ...], body: bytes | None, *, with_token: bool
    ) -> tuple[HTTPResponse, bytes]:
        where = PREFIX + "".join(f"/{quote(part, safe='')}" for part in path)
        headers = {"Authorization": f"Bearer {self._token()}"} if with_token else {}
        headers |= {"Content-Type": "application/json"} if body is not None else {}
        connection = self._connection()
        try:
            connection.request(method, where, body, headers)
            answer = connection.getresponse()
            return answer, answer.read()
        except (OSError, HTTPException) as error:
            raise GatewayError(
                f"{self.address}: no answer from the gateway ({error or type(error).__name__}); "
                "allowed: the address of one that runs (LOOPWITNESS_HTTP_PORT, or --address)"
            ) from None
        finally:
            connection.close()

    def _connection(self) -> HTTPConnection:
        if self._tls is None:
            return HTTPConnection(self._host, self._port, timeout=TIMEOUT_S)
        return HTTPSConnection(self._host, self._port, timeout=TIMEOUT_S, context=self._tls)


def _said(answer: HTTPResponse, text: bytes) -> str:
    try:
        faults = json.loads(text)["faults"]
        return "\n".join(f"{f['path']}: {f['value']}; allowed: {f['allowed']}" for f in faults)
    except (ValueError, KeyError, TypeError):
        return f"{answer.status} {answer.reason}"
