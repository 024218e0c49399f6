"""The live stream: server-sent events, as fast as each reader can take them and no faster."""

from __future__ import annotations

import asyncio
import zlib
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress

from gateway.live import Live

GAP_S = 0.5
"""Least time between two events of one reader."""
HEARTBEAT_S = 5.0
"""Longest silence: without a new row the state is sent again, with its age."""
MOST = 100
"""Readers at a time."""
HELLO = b"retry: 2000\n\n"
NOTHING_NEW = b": no new row\n"
BEGIN_PACKED = b"\x1f\x8b\x08" + 6 * b"\0" + b"\xff"
"""Header of a gzip stream without name and time (RFC 1952)."""
LEVEL = 5


def event(state: bytes) -> bytes:
    """The event that tells a state."""
    return b"event: state\ndata: " + state + b"\n\n"


def block(text: bytes) -> bytes:
    """Text as a piece of a packed stream that needs nothing of what came before it.

    So it is packed once for all readers, and each can be given it at any time (RFC 1951: blocks
    that end at a whole byte may follow each other).
    """
    packing = zlib.compressobj(LEVEL, zlib.DEFLATED, -zlib.MAX_WBITS)
    return packing.compress(text) + packing.flush(zlib.Z_FULL_FLUSH)


class Streams:
    """The event streams that are open, so that a shutdown can end them at once."""

    def __init__(self) -> None:
        self.open = 0
        self.ended = False
        self._waiting: set[asyncio.Timeout] = set()

    @contextmanager
    def counted(self) -> Iterator[None]:
        """Count a stream while it lasts."""
        self.open += 1
        try:
            yield
        finally:
            self.open -= 1

    @asynccontextmanager
    async def at_most(self, seconds: float) -> AsyncIterator[None]:
        """TimeoutError after `seconds`, or at once when the streams end."""
        async with asyncio.timeout(0 if self.ended else seconds) as limit:
            self._waiting.add(limit)
            try:
                yield
            finally:
                self._waiting.discard(limit)

    def end(self) -> None:
        """Wake every stream to its end; later ones end at once."""
        self.ended = True
        for limit in self._waiting:
            if not limit.expired():
                limit.reschedule(asyncio.get_running_loop().time())


async def events(
    live: Live,
    encoded: Callable[[], Awaitable[bytes]],
    streams: Streams,
    lasts: Callable[[], bool] = lambda: True,
    *,
    packed: bool = False,
) -> AsyncIterator[bytes]:
    """The state at once, then whenever a row comes, until the streams end.

    encoded: gives the event of this instant, as a `block` where the stream is packed. lasts: False
    ends it: the reader may not look any more.

    A reader that does not read waits in its own connection: it skips rows and holds up nobody.
    """
    with streams.counted():
        yield BEGIN_PACKED + block(HELLO) if packed else HELLO
        nothing_new = block(NOTHING_NEW) if packed else NOTHING_NEW
        before = b""
        while not streams.ended and lasts():
            seen = live.latest.number if live.latest else -1
            yield before + await encoded()
            with suppress(TimeoutError):
                async with streams.at_most(2 * GAP_S):
                    await asyncio.sleep(GAP_S)
            before = nothing_new
            with suppress(TimeoutError):
                async with streams.at_most(HEARTBEAT_S - GAP_S):
                    await live.newer_than(seen)
                    before = b""
