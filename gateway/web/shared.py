"""What many readers ask for in the same second is made once."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Callable

from pydantic import BaseModel

from gateway.live import Live

MOST_KEPT = 64
"""Different things kept at a time; the one asked for longest ago goes first."""

Stamp = tuple[int, int]


class Shared:
    """Views as JSON, each made once a row, and again when that row is a second older.

    age: seconds since the latest row was taken, None before the first.
    """

    def __init__(self, live: Live, age: Callable[[], float | None]) -> None:
        self._live, self._age = live, age
        self._made: OrderedDict[str, tuple[Stamp, bytes]] = OrderedDict()
        self._making = asyncio.Lock()

    async def get(
        self, key: str, make: Callable[[], BaseModel], form: Callable[[bytes], bytes] = bytes
    ) -> bytes:
        """The view of `make`, which is called in a thread, since a large site takes a while.

        form: what becomes of its JSON. Views under the same key are the same, in the same form.
        """
        async with self._making:
            latest = self._live.latest
            stamp = (latest.number if latest else -1, int(self._age() or 0))
            if key in self._made and self._made[key][0] == stamp and latest is not None:
                return self._made[key][1]
            text = await asyncio.to_thread(lambda: form(make().model_dump_json().encode()))
            self._made[key] = (stamp, text)
            self._made.move_to_end(key)
            if len(self._made) > MOST_KEPT:
                self._made.popitem(last=False)
            return text
