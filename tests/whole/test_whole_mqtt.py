"""A broken wire at the broker: one alarm with its consequence, acknowledged from there.

Everything that the broker delivers on the way is as the AsyncAPI document says.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.publish.topics import Topics
from gateway.settings import Settings
from tests.publish.described import fit
from tests.publish.servers import PASSWORD, Broker, secure
from tests.whole.program import entries, free_ports, gateway, journal, plant, until
from tests.whole.test_whole_alarms import LIMIT, WIRE, calm, switch, tight

pytestmark = [pytest.mark.server, pytest.mark.usefixtures("soon"), pytest.mark.timeout(600)]

TOPICS = Topics("loopwitness", "harbour-archive")
ANSWERS = f"{TOPICS.answers}/desk-3"


@pytest.fixture
async def signed(tmp_path: Path) -> AsyncIterator[Broker]:
    """A broker that knows its clients."""
    there = secure(tmp_path / "secure", free_ports(1)[0])
    await there.start()
    yield there
    there.kill()


def settings_for(folder: Path, broker: Broker) -> Settings:
    return Settings(
        state_dir=folder / "state",
        http_port=0,
        mqtt_host="127.0.0.1",
        mqtt_port=broker.port,
        mqtt_tls=True,
        mqtt_ca_file=broker.folder / "ca.pem",
        mqtt_username="gateway",
        mqtt_password=PASSWORD,
        mqtt_acknowledge=True,
        _env_file=None,
    )


async def by_http(client: httpx.AsyncClient, alarm: str) -> dict[str, Any]:
    """One alarm as the interface shows it."""
    answer = await client.get(f"/api/v1/alarms/{alarm}")
    assert answer.status_code == 200
    one = answer.json()
    assert isinstance(one, dict)
    return one


def events(got: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Events of alarms, as they came."""
    return [m["payload"] for m in got if m["topic"] == TOPICS.alarms]


def standing(got: list[dict[str, Any]], topic: str) -> dict[str, Any]:
    """The latest at a topic; nothing before the first."""
    return next((m["payload"] for m in reversed(got) if m["topic"] == topic), {})


async def test_one_broken_wire_at_the_broker(tmp_path: Path, signed: Broker) -> None:
    site = tight()
    async with plant(site) as switches, signed.subscribed(f"{TOPICS.root}/#") as got:
        async with gateway(site, settings_for(tmp_path, signed)) as client:
            await calm(tmp_path, client)
            assert [m for m in got if "alarms" in m["topic"]] == []
            await switch(switches, on=True)
            await _raised(signed, got)
            await _acknowledged(tmp_path, signed, client, got)
            await switch(switches, on=False)

            await until(180, "all is normal again", lambda: _over(got))

        async def farewell() -> bool:
            return bool(standing(got, TOPICS.status)["state"] == "offline")

        await until(60, "offline", farewell)
    assert fit(got, TOPICS) == {
        "StatusMessage", "LoopMessage", "TransducerMessage", "ControllerMessage", "AlarmMessage",
        "FindingEvent", "AlarmEvent", "AcknowledgeRequest", "AcknowledgeAnswer",
    }  # fmt: skip


async def _raised(signed: Broker, got: list[dict[str, Any]]) -> None:
    async def followed() -> bool:
        limit = standing(got, TOPICS.alarm(LIMIT))
        consequences = standing(got, TOPICS.alarm(WIRE)).get("consequences")
        heard = [one["event"] for one in events(got) if one["alarm"] == LIMIT]
        return bool("alarm" in heard and limit.get("active") and consequences)

    await until(180, "the pressure rises, as the fan makes up for the dead input", followed)
    await asyncio.sleep(2)  # for what should not come

    # One alarm that rings, its consequence under it, in events and in retained states.
    assert [one["alarm"] for one in events(got) if one["annunciates"]] == [WIRE]
    assert {one["alarm"]: one["cause"] for one in events(got)} == {WIRE: None, LIMIT: WIRE}
    wire = standing(got, TOPICS.alarm(WIRE))
    assert (wire["state"], wire["shown"]) == ("active unacknowledged", True)
    assert [one["id"] for one in wire["consequences"]] == [LIMIT]
    assert wire["next_check"].startswith("Measure at the input terminals")
    limit = standing(got, TOPICS.alarm(LIMIT))
    assert (limit["active"], limit["shown"], limit["cause"]) == (True, False, WIRE)
    retained = await signed.retained(f"{TOPICS.root}/alarms/#")
    assert [one["id"] for one in retained.values() if one["shown"]] == [WIRE]


async def _acknowledged(
    folder: Path, signed: Broker, client: httpx.AsyncClient, got: list[dict[str, Any]]
) -> None:
    wire = standing(got, TOPICS.alarm(WIRE))
    # Acknowledged over MQTT, seen in the journal, by the interface, and at the broker.
    asked = {"alarm": WIRE, "onset": wire["onset"], "person": "Ada", "comment": "going"}
    answer = await signed.request(TOPICS.acknowledge, json.dumps(asked), ANSWERS)
    assert answer
    assert (answer["result"], answer["state"]) == ("acknowledged", "active acknowledged")
    assert entries(folder, "alarm")[-1] == (
        "open-circuit", "dp-201", "acknowledge", "Ada (MQTT)", "going",
    )  # fmt: skip
    assert (await by_http(client, WIRE))["state"] == "active acknowledged"

    async def told() -> bool:
        return (
            bool(standing(got, TOPICS.alarm(WIRE))["acknowledged"])
            and events(got)[-1]["actor"] == "Ada (MQTT)"
        )

    await until(90, "the acknowledgement comes back from the broker", told)
    assert [one["previous"] for one in events(got)][1:] == [one["sequence"] for one in events(got)][
        :-1
    ]
    assert len(journal(folder, "alarm")) == len(events(got))


async def _over(got: list[dict[str, Any]]) -> bool:
    """Whether both have come back: by themselves, unless the limit has come to ring meanwhile.

    On a busy machine the wire's alarm may end while the pressure is still too high. The limit's own
    then rings, and its end waits for somebody to see it.
    """
    rang = any(one["annunciates"] for one in events(got) if one["alarm"] == LIMIT)
    states = [standing(got, TOPICS.alarm(alarm))["state"] for alarm in (WIRE, LIMIT)]
    return states == ["normal", "returned unacknowledged" if rang else "normal"]
