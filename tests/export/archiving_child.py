"""Archives and prunes days of rows until it is killed: `python archiving_child.py FOLDER`."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from gateway.export.archive import Archive
from gateway.record import retention
from gateway.record.store import open_store
from tests.record.made import START, plant, rows

STEP, DAYS, KEEP = 120.0, 5, 2
COUNT = int(DAYS * 86_400 / STEP)
NOW = START + DAYS * 86_400


async def _run(folder: Path) -> None:
    here = plant()
    with open_store(folder, here) as store:
        if store.newest_ms is None:
            store.write([rows(here, COUNT, step=STEP)])
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        keep = retention.Keep(float(KEEP), 99.0, 999.0)
        await retention.prune(store, keep, NOW, Archive(store.file, here))
        sys.stdout.write("done\n")
        sys.stdout.flush()
        await asyncio.sleep(60)


if __name__ == "__main__":
    asyncio.run(_run(Path(sys.argv[1])))
