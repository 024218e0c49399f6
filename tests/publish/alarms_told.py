"""Alarms that a gateway tells a real broker: what its tests share."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest

from gateway.live import Live
from gateway.publish import acknowledging, events, leftovers, mqtt
from gateway.publish.broker import subscribe
from gateway.publish.mqtt import publish_mqtt
from gateway.settings import Settings
from tests.alarm.alarm_plant import finding, plant
from tests.alarm.running import Gateway
from tests.publish.made import options, until
from tests.publish.servers import PASSWORD, Broker

HERE = plant(1, 2)
TOP = "loopwitness/test"
WIRE = "open-circuit:p0-0a"
ALARM = f"{TOP}/alarms/open-circuit/p0-0a"


def settings(broker: Broker, **changes: Any) -> Settings:
    """Without signing in."""
    return options(mqtt_host="127.0.0.1", mqtt_port=broker.port, mqtt_interval_s=3600, **changes)


def signed_in(broker: Broker, **changes: Any) -> Settings:
    """With user and password over TLS, and acknowledgements taken."""
    return settings(
        broker, mqtt_tls=True, mqtt_ca_file=broker.folder / "ca.pem", mqtt_username="gateway",
        mqtt_password=PASSWORD, mqtt_acknowledge=True, **changes,
    )  # fmt: skip


@asynccontextmanager
async def publishing(there: Gateway, wanted: Settings) -> AsyncIterator[Live]:
    """While the broker has it, and where it is set, while it takes acknowledgements.

    Trying again goes quickly, and what may take long on a slow machine has time.
    """
    taken = asyncio.Event()

    async def subscribed(*given: Any, **named: Any) -> str:
        refused = await subscribe(*given, **named)
        taken.set()
        return refused

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(mqtt, "delays", lambda: iter([0.1] * 1000))
        patch.setattr(events, "LOOK_S", 0.05)
        patch.setattr(events, "PAUSE_S", 0.2)
        patch.setattr(mqtt, "FAREWELL_S", 30.0)
        patch.setattr(leftovers, "SETTLE_S", 30.0)
        patch.setattr(acknowledging, "subscribe", subscribed)
        task = asyncio.create_task(publish_mqtt(there.live, there.store, wanted))
        try:
            await until(lambda: "mqtt" in there.live.sinks and there.live.sinks["mqtt"].connected)
            await until(lambda: taken.is_set() or not wanted.mqtt_acknowledge)
            yield there.live
        finally:
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task


def breaks(there: Gateway, second: float) -> None:
    """A wire."""
    there.row(second - 1)
    there.row(second, finding(HERE, "open-circuit", "p0-0a", at=second))


async def alarms(broker: Broker) -> dict[str, dict[str, Any]]:
    """Retained states of alarms at the broker, by id."""
    return {m["id"]: m for m in (await broker.retained(f"{TOP}/alarms/#")).values()}
