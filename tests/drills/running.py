"""A gateway that runs in the drill's own loop: what it makes, acting on it, how its sinks do."""

from __future__ import annotations

import asyncio
import itertools
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from gateway import watching
from gateway.record.backlog import Scan

SENT_S = 4.0
"""After so long a row is committed and sent, where nothing is in its way."""


@dataclass
class Made:
    """Rows that the row loop has made: times as stored (ms), and when on the steady clock."""

    times: list[int] = field(default_factory=list)
    when: list[float] = field(default_factory=list)

    def longest_pause(self, since: float = 0.0) -> float:
        """Seconds from one row to the next, at most, since a moment on the steady clock."""
        moments = [t for t in self.when if t >= since]
        return max((b - a for a, b in itertools.pairwise(moments)), default=0.0)


@contextmanager
def rows_told() -> Iterator[Made]:
    """Every row, told before it is queued for the store."""
    made, real = Made(), vars(watching)["Scan"]

    def told(*parts: Any) -> Scan:
        made.times.append(round(1000 * float(parts[0].time[0])))
        made.when.append(time.monotonic())
        return Scan(*parts)

    vars(watching)["Scan"] = told
    try:
        yield made
    finally:
        vars(watching)["Scan"] = real


@dataclass
class Person:
    """Shelves alarms and brings them back. `confirmed`: reasons of what was said to be done."""

    client: httpx.AsyncClient
    token: str
    confirmed: list[str] = field(default_factory=list)
    longest_s: float = 0.0
    """That one waited for an answer."""
    _count: Iterator[int] = field(default_factory=itertools.count)

    async def act(self) -> int:
        """One action; the status of the answer."""
        number = next(self._count)
        verb = "shelve" if number % 2 == 0 else "unshelve"
        deed: dict[str, Any] = {"person": "Ada", "reason": f"drill {number}"}
        if verb == "shelve":
            deed["minutes"] = 60
        began = time.monotonic()
        answer = await self.client.post(
            f"/api/v1/alarms/pressure-high:l{number // 2 % 4}/{verb}",
            json=deed, headers={"Authorization": f"Bearer {self.token}"},
        )  # fmt: skip
        self.longest_s = max(self.longest_s, time.monotonic() - began)
        if answer.status_code == 200:
            self.confirmed.append(str(deed["reason"]))
        return answer.status_code

    @asynccontextmanager
    async def busy(self, every_s: float = 0.25) -> AsyncIterator[None]:
        """Acts now and then."""

        async def go_on() -> None:
            while True:
                await self.act()
                await asyncio.sleep(every_s)

        task = asyncio.create_task(go_on(), name="person")
        try:
            yield
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


def person(client: httpx.AsyncClient, state: Path) -> Person:
    """Somebody with the token of a state folder."""
    return Person(client, (state / "http-token").read_text(encoding="ascii").strip())


async def sinks(client: httpx.AsyncClient) -> dict[str, dict[str, Any]]:
    """How receivers do, by name."""
    return {one["name"]: one for one in (await client.get("/api/v1/sinks")).json()}


async def caught_up(client: httpx.AsyncClient, *names: str, seconds: float = 60.0) -> float:
    """Wait until these have taken nearly everything; how long it took."""
    began = time.monotonic()
    async with asyncio.timeout(seconds):
        while True:
            now = await sinks(client)
            mine = [now[name] for name in names if name in now]
            if len(mine) == len(names) and all(x["connected"] and x["waiting"] < 20 for x in mine):
                return time.monotonic() - began
            await asyncio.sleep(0.1)
