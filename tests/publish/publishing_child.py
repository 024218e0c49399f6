"""Publishes until it is killed: `python publishing_child.py FOLDER PORT EVENTS MOST`.

Every second event is a finding, the others are transitions of an alarm. After MOST messages it
sends no more and waits, so that whoever kills it cannot be too late.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path
from typing import Any

import pytest

from gateway.live import Live
from gateway.publish.broker import Client
from gateway.publish.mqtt import publish_mqtt
from gateway.record.store import open_store
from tests.publish.made import START, finding, options, plant, shown, transition


def _stopping_after(most: int) -> None:
    send, left = Client.publish, iter(range(most))

    async def publish(client: Client, *given: Any, **named: Any) -> None:
        if next(left, None) is None:
            await asyncio.Event().wait()
        await send(client, *given, **named)

    pytest.MonkeyPatch().setattr(Client, "publish", publish)


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


_stopping_after(int(sys.argv[4]))
asyncio.run(_run(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])))
