"""Publishes until it is killed: `python publishing_child.py FOLDER PORT EVENTS`.

Every second event is a finding, the others are transitions of an alarm.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from gateway.live import Live
from gateway.publish.mqtt import publish_mqtt
from gateway.record.store import open_store
from tests.publish.made import START, finding, options, plant, shown, transition


async def _run(folder: Path, port: int, events: int) -> None:
    live = Live(plant())
    shown(live, 0)
    with open_store(folder, live.site) as store:
        for k in range(0, events, 2):
            now = START + k
            store.write([], [finding(f"p{k}", since=now, time=now), transition(k // 2)])
        sys.stdout.write("written\n")
        sys.stdout.flush()
        await publish_mqtt(live, store, options(mqtt_host="127.0.0.1", mqtt_port=port))


asyncio.run(_run(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])))
