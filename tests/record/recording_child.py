"""Records until it is killed: `python recording_child.py FOLDER`. Prints each row's number."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from gateway.record.backlog import Scan
from gateway.record.recorder import Queue, record
from gateway.record.store import open_store
from tests.record.made import START, finding, plant, rows


async def _run(folder: Path) -> None:
    here = plant()
    queue: Queue = asyncio.Queue()
    with open_store(folder, here) as store:
        recorder = asyncio.create_task(record(store, queue, {}, interval_s=0.1))
        for number in range(100_000):
            now = START + number
            found = (finding(f"p{number}", since=now, time=now),) if number % 5 == 0 else ()
            queue.put_nowait(Scan(*rows(here, 1, start=now), found))
            sys.stdout.write(f"{number}\n")
            sys.stdout.flush()
            await asyncio.sleep(0.01)
        await recorder


asyncio.run(_run(Path(sys.argv[1])))
