"""Reads step after step until it is killed: `python checking_child.py FOLDER`. Prints each."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from gateway import logs
from tests.checking.bench import bench
from tests.loopcheck.made import ADA, plan


async def _run(folder: Path) -> None:
    logs.configure("text", "error")
    async with bench(folder) as there:
        one = await there.checks.begin(plan(cycles=5, transducers=("p1", "p2")), ADA)
        sys.stdout.write(f"{one.name}\n")
        while True:
            await there.step(one)
            # What is in memory is on disk: it was written first.
            done = " ".join(one.run.recorded)
            sys.stdout.write(f"{done}\n")
            sys.stdout.flush()


asyncio.run(_run(Path(sys.argv[1])))
