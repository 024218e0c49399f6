"""A controller that counts: every answer holds the next number, so that no gap goes unnoticed."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from gateway.plant.site import Site
from tests.poll.peers import RawPeer, answer
from tests.sites import site, transducer

INTERVAL_S = 0.1
TRANSDUCERS = 8


def site_at(port: int, name: str = "drill", interval_s: float = INTERVAL_S) -> Site:
    """Loops of two transducers with limits, behind one controller that is read in one go."""
    points: dict[str, Any] = {f"c{k}": {"table": "input", "address": k} for k in range(TRANSDUCERS)}
    points["number"] = {"table": "input", "address": TRANSDUCERS, "type": "uint32"}
    nouns = {f"p{k}": transducer(f"a.c{k}") for k in range(TRANSDUCERS)}
    loops = {
        f"l{k}": {
            "transducers": [f"p{2 * k}", f"p{2 * k + 1}"],
            "combine": "average",
            "limits": {"low": 10, "high": 90},
        }
        for k in range(TRANSDUCERS // 2)
    }
    controller = {"host": "127.0.0.1", "port": port, "interval_s": interval_s, "points": points}
    made = site(nouns, loops, {"a": controller})
    return made.model_copy(update={"site": made.site.model_copy(update={"id": name})})


def counts(number: int) -> list[int]:
    """What the inputs hold in one answer: about half of span, moving a little."""
    return [15_000 + (number * (7 + k)) % 40 for k in range(TRANSDUCERS)]


@asynccontextmanager
async def counting() -> AsyncIterator[RawPeer]:
    """`counts`, and the number of the answer."""
    number = 0

    async def behave(request: bytes, writer: asyncio.StreamWriter) -> None:
        nonlocal number
        number += 1
        words = [*counts(number), *struct.unpack(">HH", struct.pack(">I", number))]
        writer.write(answer(request, words))

    async with RawPeer(behave) as peer:
        yield peer
