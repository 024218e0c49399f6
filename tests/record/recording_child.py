"""Records until it is killed: `python recording_child.py FOLDER`. Tells what it does, a line each.

A number: that row was made. "begun": a commit begins; "done N": it is done, N its last row.
"""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from gateway.record.backlog import Row, Scan
from gateway.record.journal import Happened
from gateway.record.recorder import Queue, record
from gateway.record.store import Store, open_store
from tests.record.made import START, finding, plant, rows


def tell(what: object) -> None:
    """A line at once, past every buffer of ours."""
    os.write(1, f"{what}\n".encode())


def _tell_commits() -> None:
    real = Store.write

    def write(store: Store, got: Sequence[Row], happened: Sequence[Happened] = ()) -> None:
        tell("begun")
        real(store, got, happened)
        tell(f"done {round(float(got[-1][0].time[-1]) - START)}")

    Store.write = write  # type: ignore[assignment, method-assign] # in this process


async def _run(folder: Path) -> None:
    here = plant()
    queue: Queue = asyncio.Queue()
    _tell_commits()
    with open_store(folder, here) as store:
        recorder = asyncio.create_task(record(store, queue, {}, interval_s=0.1))
        for number in range(100_000):
            now = START + number
            found = (finding(f"p{number}", since=now, time=now),) if number % 5 == 0 else ()
            tell(number)
            queue.put_nowait(Scan(*rows(here, 1, start=now), found))
            await asyncio.sleep(0.01)
        await recorder


asyncio.run(_run(Path(sys.argv[1])))
