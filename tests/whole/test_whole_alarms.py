"""One broken wire is one alarm, for a front end and at the broker, over a restart and a kill.

The front end is an independent client; what recipients are told is read by a reader of our own.
"""

from __future__ import annotations

import asyncio
import re
import shutil
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
import rusty_bacnet as rusty

from gateway import watching
from gateway.alarm import actions as do
from gateway.demo.control import demo_site_path
from gateway.live import Live
from gateway.plant.site import Site
from gateway.settings import Settings
from tests.cli.commands import started
from tests.publish.bacnet_packets import Listener, Stamp, Summary, listening, summaries
from tests.publish.bacnet_site import free_udp_port, front_end, input_id
from tests.publish.servers import Broker
from tests.whole.program import (
    archive,
    entries,
    gateway,
    journal,
    plant,
    rows_between,
    until,
)

pytestmark = [pytest.mark.server, pytest.mark.timeout(600)]

WIRE, LIMIT = "open-circuit:dp-201", "pressure-high:stair-b"
SHELVED = "frozen:dp-302"
TOPICS = "loopwitness/harbour-archive"
DP_201 = 1
"""Instance of the first transducer of the site file."""
FAULT = 1
HIGH = 70
"""Pa. The fan at full speed brings 75: too much here, so that the broken wire has a consequence; 50
are asked for, and it is soon back below once the wire is mended."""


def tight() -> Site:
    """The demo's site, its stair with less room above the set point of 50 Pa."""
    site = archive()
    stair = site.loops["stair-b"]
    limits = stair.limits.model_copy(update={"high": HIGH})
    loops = {**site.loops, "stair-b": stair.model_copy(update={"limits": limits})}
    return site.model_copy(update={"loops": loops})


def settings_for(folder: Path, port: int, recipient: Listener, **more: Any) -> Settings:
    return Settings(
        state_dir=folder / "state",
        http_port=0,
        bacnet_enabled=True,
        bacnet_port=port,
        bacnet_recipients=recipient.address,
        **more,
        _env_file=None,
    )


@pytest.fixture
def lives(monkeypatch: pytest.MonkeyPatch) -> list[Live]:
    """The live state of every gateway that is started, in order."""
    found: list[Live] = []

    def restored(*given: Any) -> Live:
        found.append(watching.restored(*given))
        return found[-1]

    monkeypatch.setattr("gateway.run.restored", restored)
    return found


async def switch(switches: httpx.AsyncClient, *, on: bool) -> None:
    wire = {"kind": "open-circuit", "subject": "dp-201", "size": None}
    answer = await switches.post("/faults", json=wire | {"on": on})
    assert answer.status_code == 200


async def calm(folder: Path, client: httpx.AsyncClient) -> None:
    """The plant runs, and nothing is wrong."""

    async def running() -> bool:
        answer = await client.get("/api/v1/loops")
        loops = answer.json() if answer.status_code == 200 else [{"combined": None}]
        return all(one["combined"] is not None for one in loops)

    await until(90, "all loops read", running)
    await asyncio.sleep(2)
    assert journal(folder, "alarm") == []


async def going_on(client: rusty.BACnetClient, port: int) -> list[Summary]:
    """What the front end is told when it asks; nothing while the device is not up."""
    try:
        answer = await client.get_event_information(f"127.0.0.1:{port}")
    except rusty.BacnetError:
        return []
    return summaries(answer)[0]


async def retained(broker: Broker) -> dict[str, str]:
    """State of every alarm that the broker knows of, by id."""
    found = await broker.retained(f"{TOPICS}/alarms/#")
    return {one["id"]: one["state"] for one in found.values()}


async def arrived(recipient: Listener, count: int) -> None:
    """Until so many notifications are here; the front end may see a state before it is told."""

    async def enough() -> bool:
        return len(recipient.events) >= count

    await until(60, f"{count} notifications", enough)


async def acknowledge(client: rusty.BACnetClient, port: int, stamp: Stamp) -> None:
    """As the front end "desk 3" does it."""
    date: Any = stamp[0]
    clock: Any = stamp[1]
    await client.acknowledge_alarm_request(
        f"127.0.0.1:{port}", 5, input_id(DP_201), rusty.EventState.FAULT,
        rusty.BACnetTimeStamp.date_time(date, clock),
        "desk 3", rusty.BACnetTimeStamp.date_time((2026, 5, 28, 4), (20, 31, 0, 0)),
    )  # fmt: skip


async def test_one_broken_wire_is_one_alarm_everywhere(
    tmp_path: Path, lives: list[Live], broker: Broker
) -> None:
    site, port = tight(), free_udp_port()
    at_broker: dict[str, Any] = {"mqtt_host": "127.0.0.1", "mqtt_port": broker.port}
    async with (
        plant(site) as switches, listening() as recipient, front_end() as desk,
        broker.subscribed(f"{TOPICS}/events/alarms") as published,
        gateway(site, settings_for(tmp_path, port, recipient, **at_broker)) as client,
    ):  # fmt: skip
        (live,) = lives
        await calm(tmp_path, client)
        await switch(switches, on=True)
        broken = time.time()

        async def told() -> bool:
            return bool(recipient.events) and bool(journal(tmp_path, "alarm"))

        await until(90, "journal and recipient", told)
        told_at = time.time()

        async def followed() -> bool:
            return ("pressure-high", "stair-b", "alarm") in journal(tmp_path, "alarm")

        await until(180, "the pressure rises, as the fan makes up for it", followed)
        assert rows_between(tmp_path, broken, told_at) <= 8

        async def at_the_broker() -> bool:
            states = {WIRE: "active unacknowledged", LIMIT: "suppressed by design"}
            return len(published) >= 3 and await retained(broker) == states

        await until(60, "both at the broker", at_the_broker)
        await asyncio.sleep(2)  # for what should not come

        # One alarm, its consequence under it: in the journal, live, on BACnet and at the broker.
        assert journal(tmp_path, "alarm") == [
            ("open-circuit", "dp-201", "alarm"),
            ("pressure-high", "stair-b", "suppress"),
            ("pressure-high", "stair-b", "alarm"),
        ]
        assert live.latest
        wire, limit = live.latest.alarms
        assert (wire.definition.id, wire.shown, wire.consequences) == (WIRE, True, (LIMIT,))
        assert (limit.definition.id, limit.shown, limit.memory.cause) == (LIMIT, False, WIRE)
        (notice,) = recipient.events
        assert (notice.instance, notice.to_state, notice.notify_type) == (DP_201, FAULT, 0)
        assert "open circuit" in notice.text.lower()
        (one,) = await going_on(desk, port)
        assert (one.instance, one.state, one.acknowledged) == (DP_201, FAULT, (1, 0, 1))
        events = [one["payload"] for one in published]
        assert [(e["alarm"], e["annunciates"]) for e in events] == [
            (WIRE, True), (LIMIT, False), (LIMIT, False)
        ]  # fmt: skip

        # Acknowledged there, seen here.
        await acknowledge(desk, port, notice.stamp)
        (entry,) = [e for e in entries(tmp_path, "alarm") if e[2] == "acknowledge"]
        assert entry[:2] == ("open-circuit", "dp-201")
        assert re.fullmatch(r"desk 3 \(BACnet 127\.0\.0\.1:\d+\)", entry[3])
        assert live.latest.alarms[0].memory.state == "active acknowledged"
        (one,) = await going_on(desk, port)
        assert one.acknowledged == (1, 1, 1)

        async def seen() -> bool:
            states = await retained(broker)
            return states[WIRE] == "active acknowledged" and len(published) > 3

        await until(60, "acknowledged at the broker", seen)
        assert [e["payload"]["event"] for e in published][3:] == ["acknowledge"]

        await switch(switches, on=False)
        await mended(live, desk, port, recipient)


async def mended(live: Live, desk: rusty.BACnetClient, port: int, recipient: Listener) -> None:
    """Everything comes back by itself."""

    async def over() -> bool:
        assert live.latest
        # A limit that came to ring meanwhile, as it may on a busy machine, waits to be seen.
        for one in live.latest.alarms:
            if one.memory.state == "returned unacknowledged" and one.definition.id != WIRE:
                await live.alarms.act(do.acknowledge(one.definition.id, "Ada"))
        return live.latest.alarms == ()

    await until(180, "no alarm is left", over)

    async def nothing_more() -> bool:
        return await going_on(desk, port) == []

    async def ended() -> bool:
        return (DP_201, 0) in [(e.instance, e.to_state) for e in recipient.events]

    await until(60, "nothing goes on for the front end", nothing_more)
    await until(60, "its end at the recipient", ended)
    mine = [e for e in recipient.events if e.instance == DP_201]
    states = [(e.notify_type, e.to_state) for e in mine]
    assert states == [(0, FAULT), (2, FAULT), (0, 0)]


async def test_alarms_and_holds_come_back_after_a_stop(tmp_path: Path, lives: list[Live]) -> None:
    site, port = tight(), free_udp_port()
    async with plant(site) as switches, listening() as recipient:
        settings = settings_for(tmp_path, port, recipient)
        async with gateway(site, settings) as client:
            await calm(tmp_path, client)
            await switch(switches, on=True)

            async def raised() -> bool:
                return lives[0].alarms.of(WIRE).memory.state == "active unacknowledged"

            await until(90, "the alarm", raised)
            alarms, now = lives[0].alarms, time.time()
            await alarms.act(do.acknowledge(WIRE, "Ada", "spare part is on its way"))
            await alarms.act(do.shelve(SHELVED, "Ada", "known", now + 12))
            away = do.out_of_service("transducer", "dp-401", "Ben", "calibration", now + 3600)
            await alarms.act(away)
            await arrived(recipient, 2)
            before = {one.definition.id: one.memory for one in alarms.standing}
        told = len(recipient.events)
        async with gateway(site, settings):
            alarms = lives[1].alarms
            after = {one.definition.id: one.memory for one in alarms.standing}
            if time.time() > now + 12:  # a start that took so long finds it off the shelf
                after.setdefault(SHELVED, before[SHELVED])
            assert after == before
            assert alarms.of(WIRE).memory.state == "active acknowledged"
            hold = alarms.of("frozen:dp-401").memory.service
            assert hold
            assert (hold.actor, hold.reason, hold.until) == ("Ben", "calibration", now + 3600)

            async def back() -> bool:
                return alarms.of(SHELVED).memory.state == "normal"

            await until(90, "off the shelf by itself", back)
            back_at = time.time()
            assert back_at >= now + 12

            async def journalled() -> bool:
                over = ("frozen", "dp-302", "unshelve", "gateway", "its time is over")
                return over in entries(tmp_path, "alarm")

            await until(60, "the end of shelving in the journal", journalled)
            assert rows_between(tmp_path, now + 12, back_at) <= 3
            assert alarms.of(WIRE).memory == before[WIRE]
            assert len(recipient.events) == told, "what was known before is not told again"


@asynccontextmanager
async def process(folder: Path, site_file: Path, settings: Settings) -> AsyncIterator[None]:
    """A gateway in a process of its own, from when it is up until it is killed."""
    names = ("state_dir", "bacnet_enabled", "bacnet_port", "bacnet_recipients")
    changed = {f"LOOPWITNESS_{name.upper()}": str(getattr(settings, name)) for name in names}
    async with started(folder, "run", site_file, **changed) as child:
        assert child.stdout
        async with asyncio.timeout(120):
            assert b"is up" in await child.stdout.readline()
        yield


def written(folder: Path, site: Site) -> Path:
    """The demo's site file with the ports and the limit of a site."""
    source = demo_site_path()
    shutil.copytree(source.parent / "maps", folder / "maps")
    text = source.read_text(encoding="utf-8")
    for old, noun in zip((15020, 15021, 15022), site.controllers.values(), strict=True):
        text = text.replace(f"port = {old}", f"port = {noun.port}")
    text = text.replace(
        "limits = { low = 25, high = 80 }", f"limits = {{ low = 25, high = {HIGH} }}"
    )
    (folder / "site.toml").write_text(text, encoding="utf-8")
    return folder / "site.toml"


async def test_a_killed_gateway_comes_back_with_its_alarms(tmp_path: Path) -> None:
    site, port = tight(), free_udp_port()
    site_file = written(tmp_path, site)
    async with plant(site) as switches, listening() as recipient, front_end() as desk:
        settings = settings_for(tmp_path, port, recipient)

        async def one_event() -> bool:
            return len(await going_on(desk, port)) == 1

        async with process(tmp_path, site_file, settings):
            await asyncio.sleep(3)
            await switch(switches, on=True)
            await until(90, "the front end sees the alarm", one_event)
            await arrived(recipient, 1)
            await acknowledge(desk, port, recipient.events[0].stamp)
            await arrived(recipient, 2)
        kept = entries(tmp_path, "alarm")
        assert [entry[2] for entry in kept if entry[0] == "open-circuit"] == [
            "alarm",
            "acknowledge",
        ]
        told = len(recipient.events)
        async with process(tmp_path, site_file, settings):
            await until(90, "the front end sees it again", one_event)
            await asyncio.sleep(2)
            (one,) = await going_on(desk, port)
            assert (one.instance, one.state, one.acknowledged) == (DP_201, FAULT, (1, 1, 1))
            now = entries(tmp_path, "alarm")
            assert now[: len(kept)] == kept
            others = {entry[0] for entry in now} - {"open-circuit"}
            assert others <= {"pressure-high"}, "consequences only"
            assert [entry[0] for entry in now].count("open-circuit") == 2
            assert len(recipient.events) == told
