"""Runs the real command in a process of its own."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PATIENCE_S = 120.0


@dataclass
class Ended:
    """How a command ended, and what it said."""

    code: int
    out: str
    err: str

    def json(self) -> Any:
        return json.loads(self.out)


def environment(folder: Path, **settings: str) -> dict[str, str]:
    """This process's, without its settings; history goes below `folder`."""
    env = {k: v for k, v in os.environ.items() if not k.startswith("LOOPWITNESS_")}
    return env | {
        "PYTHONPATH": str(ROOT),
        "LOOPWITNESS_STATE_DIR": str(folder / "state"),
        "LOOPWITNESS_HTTP_PORT": "0",
        "COLUMNS": "160",
        **settings,
    }


@asynccontextmanager
async def started(
    folder: Path, *args: object, **settings: str
) -> AsyncIterator[asyncio.subprocess.Process]:
    """The command while it runs; ended by force if the test leaves it running."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "gateway", *map(str, args),
        cwd=folder, env=environment(folder, **settings),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        yield process
    finally:
        if process.returncode is None:
            tell(process, signal.SIGKILL)
            await process.communicate()


def tell(process: asyncio.subprocess.Process, what: signal.Signals) -> None:
    """Send it a signal. Its own method may take the exit status away from asyncio's watcher."""
    with suppress(ProcessLookupError):
        os.kill(process.pid, what)


async def ended(process: asyncio.subprocess.Process) -> Ended:
    """Wait for its end."""
    out, err = await asyncio.wait_for(process.communicate(), PATIENCE_S)
    assert process.returncode is not None
    return Ended(process.returncode, out.decode(), err.decode())


async def command(folder: Path, *args: object, **settings: str) -> Ended:
    """Run it from beginning to end."""
    async with started(folder, *args, **settings) as process:
        return await ended(process)
