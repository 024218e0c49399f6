"""The local token: programs that may read the state folder may act, and give a name.

It is made at the first start; as with the wishes of the command line, whoever may read the folder
may do everything. People sign in instead: `door.py`. It is sent as a bearer header: a browser never
adds one by itself, and no answer here allows another origin to add one, so a foreign page cannot
act in somebody's name (CSRF).
"""

from __future__ import annotations

import os
import re
import secrets
import time
from collections import OrderedDict, deque
from collections.abc import Callable
from contextlib import suppress
from ipaddress import IPv6Address, ip_address
from pathlib import Path

import structlog

from gateway.errors import DISK_ERRNOS, DiskError, Fault, StartError

from .refusals import RefusalError

FILE = "http-token"
LEAST = 22
"""Characters of a token: 128 bits where each is one of 64."""
WORD = re.compile(r"[A-Za-z0-9._~+/-]+=*")
"""What may follow "Bearer": token68 of RFC 9110, section 11.2."""
WRONG, WITHIN_S = 10, 60.0
"""Wrong tokens from one address before the next are not even looked at."""
ADDRESSES = 1000
"""Addresses whose wrong tokens are remembered."""

log = structlog.get_logger(__name__)


def local_token(folder: Path) -> str:
    """The token in the state folder; made when there is none, for its owner's eyes only.

    StartError when it cannot be read or written, or could be guessed; DiskError when the disk
    takes none.
    """
    file = folder / FILE
    try:
        token = file.read_text(encoding="ascii").strip() if file.exists() else _made(file)
        others = file.stat().st_mode & 0o077
    except (OSError, UnicodeDecodeError) as error:
        said = getattr(error, "strerror", None) or str(error)
        if isinstance(error, OSError) and error.errno in DISK_ERRNOS:
            raise DiskError(f"{file}: {said}") from None
        raise StartError(f"{file}: {said}; allowed: a file that this user may read") from None
    if len(token) < LEAST or not WORD.fullmatch(token):
        raise StartError(
            f"{file}: {len(token)} characters; allowed: at least {LEAST} of A-Z a-z 0-9 . _ ~ + / "
            "-, or no such file: one is made"
        )
    if others:
        log.warning("others on this machine could read the token", file=str(file))
        with suppress(OSError):  # somebody else's file: told is all that can be done
            file.chmod(0o600)
    return token


def _made(file: Path) -> str:
    token, part = secrets.token_urlsafe(32), file.with_suffix(".part")
    part.unlink(missing_ok=True)
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="ascii") as opened:
        opened.write(token + "\n")
        opened.flush()
        os.fsync(handle)
    part.rename(file)
    return token


class Gate:
    """Lets in those who have the token. Without a token (""), nobody.

    clock: seconds, for the limit on wrong tokens. actions: whether anybody may act at all, with
    the token or signed in; left out: where there is a token.
    """

    def __init__(
        self,
        token: str = "",
        clock: Callable[[], float] = time.monotonic,
        *,
        actions: bool | None = None,
    ) -> None:
        self._token, self._clock = token.encode(), clock
        self.open = bool(token) if actions is None else actions
        self._wrong: OrderedDict[str, deque[float]] = OrderedDict()

    def must_be_open(self) -> None:
        """RefusalError (403) where nobody may act."""
        if not self.open:
            fault = Fault("actions", "turned off here", "looking (LOOPWITNESS_HTTP_ACTIONS)")
            raise RefusalError(403, fault)

    def admit(self, address: str, token: str | None) -> None:
        """RefusalError: 403 nobody may act, 401 no or a wrong token, 429 too many wrong ones."""
        self.must_be_open()
        self.prove(address, token)

    def prove(self, address: str, token: str | None) -> None:
        """RefusalError: 401 no or a wrong token, 429 too many wrong ones."""
        if token is None:
            raise _unauthorized("none given")
        wrong = self._lately_wrong(network(address))
        if len(wrong) >= WRONG:
            wait = round(wrong[0] + WITHIN_S - self._clock()) + 1
            fault = Fault("header.authorization", "too many wrong tokens", f"again in {wait} s")
            raise RefusalError(429, fault, {"Retry-After": str(wait)})
        # Compared in a time that tells nothing about how much of it was right.
        right = secrets.compare_digest(token.encode(), self._token)
        if not (self._token and right):
            wrong.append(self._clock())
            log.warning("wrong token", address=address, lately=len(wrong))
            raise _unauthorized("not the token of this gateway")

    def _lately_wrong(self, network: str) -> deque[float]:
        times = self._wrong.setdefault(network, deque())
        self._wrong.move_to_end(network)
        while times and times[0] + WITHIN_S <= self._clock():
            times.popleft()
        while len(self._wrong) > ADDRESSES:
            self._wrong.popitem(last=False)
        return times


def network(address: str) -> str:
    """What counts as one address: with IPv6 the 64 bits that a household shares."""
    with suppress(ValueError):
        found = ip_address(address)
        if isinstance(found, IPv6Address) and found.ipv4_mapped is None:
            return str(IPv6Address(int(found) >> 64 << 64))
    return address


def _unauthorized(value: str) -> RefusalError:
    allowed = (
        f"signing in at /sign-in, or Authorization: Bearer and the token in the file {FILE} of the "
        "state folder"
    )
    fault = Fault("header.authorization", value, allowed)
    return RefusalError(401, fault, {"WWW-Authenticate": 'Bearer realm="loopwitness"'})
