"""Fault drills: what was broken, how often, what was lost or came twice, and how soon it is back.

    python -m tests.drills                 all of them, some minutes
    python -m tests.drills --only kills    one of: kills, stalls, outage, disk, fuzz

They need Mosquitto and victoria-metrics (`bash deploy/test.sh` says how to get them). Rows and
events of the last second, which were not committed when a process was killed, are not lost but
told apart; everything else that does not arrive is, and the command ends with 1.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
from collections.abc import Callable, Coroutine, Sequence
from pathlib import Path
from typing import Any

from gateway import logs
from tests.publish.servers import Broker, TimeSeries

from . import broken_disk, fuzz, kills, outage, stalls
from .report import Outcome, table
from .servers import broker_in, series_in

Found = Coroutine[Any, Any, list[Outcome]]
Drill = Callable[[Path], Found]
BothServers = Callable[[Path, Broker, TimeSeries], Found]


def _with_servers(drill: BothServers) -> Drill:
    async def run(folder: Path) -> list[Outcome]:
        async with broker_in(folder / "broker") as broker, series_in(folder / "series") as series:
            return await drill(folder, broker, series)

    return run


async def _fuzz(_: Path) -> list[Outcome]:
    return fuzz.drill()


DRILLS: dict[str, Drill] = {
    "kills": _with_servers(kills.drill),
    "stalls": _with_servers(stalls.drill),
    "outage": _with_servers(outage.drill),
    "disk": broken_disk.drill,
    "fuzz": _fuzz,
}


def main(words: Sequence[str] | None = None) -> int:
    """Run what is asked for and print the table; 1 when anything was lost."""
    parser = argparse.ArgumentParser(
        "python -m tests.drills", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    parser.add_argument("--only", nargs="*", choices=list(DRILLS), default=list(DRILLS))
    asked = parser.parse_args(words)
    logs.configure("text", "error")
    found: list[Outcome] = []
    for name in asked.only:
        print(f"{name} ...", file=sys.stderr, flush=True)  # noqa: T201 - how far it is
        with tempfile.TemporaryDirectory() as folder:
            found += asyncio.run(DRILLS[name](Path(folder)))
    print(table(found))  # noqa: T201 - the table is what is asked for
    return int(any(one.lost for one in found))


if __name__ == "__main__":
    sys.exit(main())
