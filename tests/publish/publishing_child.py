"""Publishes until it is killed: `python publishing_child.py FOLDER PORT FINDINGS`."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from gateway.live import Live
from gateway.publish.mqtt import publish_mqtt
from gateway.record.store import open_store
from tests.publish.made import START, finding, options, plant, shown


async def _run(folder: Path, port: int, findings: int) -> None:
    live = Live(plant())
    shown(live, 0)
    with open_store(folder, live.site) as store:
        found = [finding(f"p{k}", since=START + k, time=START + k) for k in range(findings)]
        store.write([], found)
        sys.stdout.write("written\n")
        sys.stdout.flush()
        await publish_mqtt(live, store, options(mqtt_host="127.0.0.1", mqtt_port=port))


asyncio.run(_run(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])))
