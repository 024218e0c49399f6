"""A gateway that runs in the drill's own loop: what it makes, acting on it, how its sinks do."""

from __future__ import annotations

import asyncio
import itertools
import sqlite3
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from gateway import watching
from gateway.record.backlog import Scan
from gateway.record.opening import FILE
from tests.publish.servers import TimeSeries

SENT_S = 30.0
"""Within so long a row is committed, sent and seen at the server, also on a busy machine; it takes
one to three seconds on one with little to do."""


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
        """Acts now and then; at the end, what was begun is waited for."""
        over = asyncio.Event()

        async def go_on() -> None:
            while not over.is_set():
                await self.act()
                with suppress(TimeoutError):
                    await asyncio.wait_for(over.wait(), every_s)

        task = asyncio.create_task(go_on(), name="person")
        try:
            yield
        finally:
            over.set()
            await asyncio.gather(task, return_exceptions=True)


def person(client: httpx.AsyncClient, state: Path) -> Person:
    """Somebody with the token of a state folder."""
    return Person(client, (state / "http-token").read_text(encoding="ascii").strip())


async def sinks(client: httpx.AsyncClient) -> dict[str, dict[str, Any]]:
    """How receivers do, by name."""
    return {one["name"]: one for one in (await client.get("/api/v1/sinks")).json()}


def asked(state: Path, question: str) -> Any:
    """One value of the history file in a state folder."""
    connection = sqlite3.connect(f"{(state / FILE).as_uri()}?mode=ro", uri=True)
    try:
        return connection.execute(question).fetchone()[0]
    finally:
        connection.close()


async def outbox_empty(state: Path, seconds: float = 120.0) -> None:
    """Wait until the broker has confirmed every event; TimeoutError."""
    async with asyncio.timeout(seconds):
        while asked(state, "SELECT count(*) FROM outbox"):  # noqa: ASYNC110 - a file
            await asyncio.sleep(0.05)


async def heard(enough: Callable[[], bool], seconds: float = SENT_S) -> None:
    """Wait until a reader has heard enough; after `seconds` what is missing counts as lost.

    What the broker has confirmed to the gateway may still be on its way to the reader.
    """
    began = time.monotonic()
    while not enough() and time.monotonic() - began < seconds:  # noqa: ASYNC110 - a plain list
        await asyncio.sleep(0.05)


async def alarms_heard(got: list[dict[str, Any]], state: Path) -> list[int]:
    """Sequence numbers of events of alarms that came to a reader of everything.

    As soon as it has all that are in the journal; what came twice is there twice.
    """
    count = asked(state, "SELECT count(*) FROM journal WHERE kind = 'alarm'")

    def there() -> list[int]:
        mine = (one for one in got if one["topic"].endswith("/events/alarms"))
        return [one["payload"]["sequence"] for one in mine]

    await heard(lambda: len(set(there())) >= count)
    return there()


async def caught_up(client: httpx.AsyncClient, *names: str, seconds: float = 120.0) -> float:
    """Wait until these have taken nearly everything; how long it took."""
    began = time.monotonic()
    async with asyncio.timeout(seconds):
        while True:
            now = await sinks(client)
            mine = [now[name] for name in names if name in now]
            if len(mine) == len(names) and all(x["connected"] and x["waiting"] < 20 for x in mine):
                return time.monotonic() - began
            await asyncio.sleep(0.1)


async def sent(series: TimeSeries, site: str, newest_ms: int) -> float:
    """Wait, while the gateway runs, until the server has a row; how long it took.

    At most SENT_S: a row that is not there then counts as lost. Rows go in order, so every older
    one must be there when this one is. A row takes as long as the next commit, the next look of the
    forwarding and the server's own delay, and a gateway that is stopped sooner sends it at its next
    start, which these drills do not make: to judge by the rows of the last second would call lost
    what was only not asked for again.
    """
    began = time.monotonic()
    await arrived(series, site, {newest_ms}, SENT_S)
    return time.monotonic() - began


async def arrived(
    series: TimeSeries, site: str, wanted: set[int], seconds: float = SENT_S
) -> set[int]:
    """Times (ms) that the server has of a transducer, as soon as all wanted are among them.

    After `seconds` what is there then: a server shows what it has taken only after a while.
    """
    tags, began = {"site": site, "transducer": "p0"}, time.monotonic()
    while True:
        got = set(await series.points("transducer_quality", min(wanted, default=0), **tags))
        if wanted <= got or time.monotonic() - began > seconds:
            return got
        await asyncio.sleep(0.2)
