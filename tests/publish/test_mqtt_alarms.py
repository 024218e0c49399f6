"""Alarms at a real broker: retained states kept true."""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path

import pytest

from gateway.alarm import actions as do
from gateway.publish import leftovers
from gateway.record import outbox
from tests.alarm.alarm_plant import finding
from tests.alarm.running import Gateway, running
from tests.publish.alarms_told import ALARM, HERE, TOP, WIRE, alarms, breaks, publishing, settings
from tests.publish.made import until
from tests.publish.servers import Broker

pytestmark = pytest.mark.server

FROZEN = "frozen:p0-1a"


async def mended(there: Gateway, second: float, since: float) -> None:
    await there.live.alarms.act(do.acknowledge(WIRE, "Ada"))
    there.row(second, finding(HERE, "open-circuit", "p0-0a", "cleared", at=second, since=since))
    there.row(second + 40)
    there.row(second + 41)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_retained_alarms_come_and_go_to_normal(
    broker: Broker, tmp_path: Path, protocol: str
) -> None:
    async with running(HERE, tmp_path, 0.05) as there:
        breaks(there, 2)
        async with publishing(there, settings(broker, mqtt_protocol=protocol)):
            async with broker.subscribed(f"{TOP}/alarms/#") as got:
                await until(lambda: len(got) == 1)
                there.row(3, finding(HERE, "setpoint-not-held", "l0-0", at=3))
                await until(lambda: len(got) == 3)
                await mended(there, 20, 2)
                await until(lambda: got[-1]["payload"]["state"] == "normal")
            found = await alarms(broker)
        assert found[WIRE]["state"] == "normal", "it stays, so that who comes late knows"
        told = [(m["topic"], m["payload"]["state"]) for m in got]
        assert told[0] == (ALARM, "active unacknowledged")
        assert {m["qos"] for m in got} == {1}


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_what_changed_while_the_gateway_was_away_is_put_right(
    broker: Broker, tmp_path: Path, protocol: str
) -> None:
    """Also what another site file left behind; other sites, and what is no state, stay."""
    wanted = settings(broker, mqtt_protocol=protocol)
    async with running(HERE, tmp_path, 0.05) as there:
        breaks(there, 2)
        there.row(3, finding(HERE, "frozen", "p0-1a", at=3))
        async with publishing(there, wanted):
            await until(lambda: there.live.sinks["mqtt"].sent >= 2)
        assert {k: v["shown"] for k, v in (await alarms(broker)).items()} == {
            WIRE: True, FROZEN: True,
        }  # fmt: skip
        gone = [f"{TOP}/{name}" for name in ("loops/old", "transducers/old", "controllers/old",
                "alarms/frozen/old", "alarms/no-such-fault/p0-0a")]  # fmt: skip
        kept = ["loopwitness/other/loops/old", f"{TOP}/notes/of-somebody"]
        for topic in [*gone, *kept]:
            await broker.publish(topic, '{"state": "active unacknowledged"}', "-r")
        await mended(there, 20, 2)
        assert there.states() == {FROZEN: "active unacknowledged"}
    async with running(HERE, tmp_path, 0.05) as there:
        there.open = {f.id: f for f in [finding(HERE, "frozen", "p0-1a", at=3)]}
        there.row(100)
        async with publishing(there, wanted):

            async def right() -> bool:
                now = await broker.retained("loopwitness/#")
                return not set(gone) & set(now) and now[ALARM]["state"] == "normal"

            async with asyncio.timeout(60):
                while not await right():
                    there.row(there.second + 1)
        now = await broker.retained("loopwitness/#")
        assert set(kept) <= set(now)
        assert now[f"{TOP}/alarms/frozen/p0-1a"]["shown"] is True
        assert f"{TOP}/loops/l0-0" in now


async def test_an_alarm_that_ended_while_the_broker_was_away_is_told_normal(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where the gateway may not read back what is retained."""

    async def may_not(*_: object, **__: object) -> str:
        return "Not authorized"

    monkeypatch.setattr(leftovers, "subscribe", may_not)
    async with running(HERE, tmp_path, 0.05) as there:
        breaks(there, 2)
        async with publishing(there, settings(broker)) as live:
            await until(lambda: live.sinks["mqtt"].waiting == 0 and live.sinks["mqtt"].sent > 2)
            assert (await alarms(broker))[WIRE]["shown"] is True
            broker.signal(signal.SIGTERM)
            await until(lambda: not live.sinks["mqtt"].connected)
            broker.kill()
            await mended(there, 20, 2)
            assert there.states() == {}
            await broker.start()

            async def told() -> bool:
                return bool((await alarms(broker))[WIRE]["state"] == "normal")

            async with asyncio.timeout(60):
                while not await told():
                    there.row(there.second + 1)
    # The same over the end of the process: the event that waits tells which state is old.
    async with running(HERE, tmp_path, 0.05) as there:
        breaks(there, 100)
        async with publishing(there, settings(broker)) as live:
            await until(lambda: there.store.do(outbox.waiting) == 0)
            async with asyncio.timeout(60):  # states and events go side by side
                while not (await alarms(broker))[WIRE]["shown"]:
                    there.row(there.second + 1)
        await mended(there, 120, 100)
    async with running(HERE, tmp_path, 0.05) as there:
        there.row(300)
        async with publishing(there, settings(broker)):
            async with asyncio.timeout(60):
                while (await alarms(broker))[WIRE]["state"] != "normal":
                    there.row(there.second + 1)


async def test_a_broker_that_lost_everything_is_told_everything(
    broker: Broker, tmp_path: Path
) -> None:
    async with running(HERE, tmp_path, 0.05) as there:
        breaks(there, 2)
        async with publishing(there, settings(broker)) as live:
            await until(lambda: live.sinks["mqtt"].sent >= 2)
            broker.kill()
            (broker.folder / "mosquitto.db").unlink(missing_ok=True)
            await until(lambda: not live.sinks["mqtt"].connected)
            await broker.start()
            await until(lambda: live.sinks["mqtt"].connected)

            async def told() -> bool:
                return WIRE in await alarms(broker)

            async with asyncio.timeout(60):
                while not await told():
                    pass
            assert (await alarms(broker))[WIRE]["state"] == "active unacknowledged"


async def test_an_entry_that_nobody_can_read_is_set_aside(broker: Broker, tmp_path: Path) -> None:
    async with running(HERE, tmp_path, 0.05) as there:
        breaks(there, 2)
        await until(lambda: there.store.do(outbox.waiting) == 2)
        there.store.do(lambda c: c.execute("UPDATE journal SET body = '{\"x\":1}' WHERE seq = 1"))
        there.row(3, finding(HERE, "frozen", "p0-1a", at=3))
        async with broker.subscribed(f"{TOP}/events/#") as got, publishing(there, settings(broker)):
            await until(lambda: len(got) == 3)
            await until(lambda: there.store.do(outbox.waiting) == 0)
        assert [m["payload"]["sequence"] for m in got] == [2, 3, 4]
        kept = there.store.do(lambda c: c.execute("SELECT sink, record FROM poison").fetchall())
        assert kept == [("mqtt", '{"x": 1}')]
