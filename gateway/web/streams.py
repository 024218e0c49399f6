"""The live stream: server-sent events, as fast as each reader can take them and no faster."""

from __future__ import annotations

import asyncio
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
) -> AsyncIterator[bytes]:
    """The state at once, then whenever a row comes, until the streams end.

    encoded: gives the state of this instant as JSON. lasts: False ends it: the reader may not look
    any more.

    A reader that does not read waits in its own connection: it skips rows and holds up nobody.
    """
    with streams.counted():
        yield HELLO
        before = b""
        while not streams.ended and lasts():
            seen = live.latest.number if live.latest else -1
            yield before + b"event: state\ndata: " + await encoded() + b"\n\n"
            with suppress(TimeoutError):
                async with streams.at_most(2 * GAP_S):
                    await asyncio.sleep(GAP_S)
            before = NOTHING_NEW
            with suppress(TimeoutError):
                async with streams.at_most(HEARTBEAT_S - GAP_S):
                    await live.newer_than(seen)
                    before = b""
