"""What stands between the wire and pymodbus: only reads go out, only fitting answers come in.

pymodbus takes some odd answers for good, waits out its timeout on others, and lets undecodable
bytes end in asyncio's log; behind this gate it sees neither.
"""

from __future__ import annotations

from collections.abc import Callable

from gateway.errors import LinkError, ReplyError

from .answer import Asked, asked, complete


class CutShortError(ReplyError):
    """An answer began and did not end."""


class HungUpError(LinkError):
    """The controller closed the connection instead of answering."""


class Gate:
    """Judges the traffic of one connection, one request at a time.

    `give_up` is called with the error as soon as an answer can no longer come, and with None when
    bytes come that nobody asked for: either way the connection is of no more use.
    """

    def __init__(self, give_up: Callable[[LinkError | ReplyError | None], None]) -> None:
        self._give_up = give_up
        self._asked: Asked | None = None
        self._received = 0
        self._place = ""

    def begin(self, place: str) -> None:
        """The next request is about `place`, for its error messages."""
        self._place = place
        self._received = 0

    def end(self) -> None:
        """Nothing is waited for any more."""
        self._asked = None

    def passing(self, sending: bool, data: bytes) -> bytes:  # noqa: FBT001 (pymodbus calls it so)
        """A message on its way out, or all bytes received and not yet used.

        Gives what may pass: all of it, or b"" to hold it back. RuntimeError for a message other
        than a read on its way out.
        """
        if sending:
            self._asked = asked(data)
            return data
        if self._asked is None:
            self._give_up(None)
            return b""
        self._received = len(data)
        try:
            whole = complete(self._asked, data)
        except ReplyError as error:
            self._give_up(ReplyError(f"{self._place}: {error}"))
            return b""
        if whole:
            # Should the time be up in this same instant, it came too late, but not in part.
            self._asked, self._received = None, 0
        return data if whole else b""

    def changed(self, connected: bool) -> None:  # noqa: FBT001 (pymodbus calls it so)
        """The connection came up, or the controller closed it."""
        if connected or not self._asked:
            return
        why = "the controller closed the connection"
        # Only one that was closed before anything came may be asked again.
        hung_up = HungUpError(f"{self._place}: {why}")
        self._give_up(self.silence(why) if self._received else hung_up)

    def silence(self, why: str) -> LinkError | CutShortError:
        """The error for an answer that will not come, or only came in part."""
        if self._received:
            begun = f"only {self._received} bytes of an answer"
            return CutShortError(f"{self._place}: {why} ({begun})")
        return LinkError(f"{self._place}: {why}")
