"""Alarms at a real broker: retained states kept true, acknowledgements, and what is refused."""

from __future__ import annotations

import asyncio
import json
import signal
from collections.abc import AsyncIterator, Mapping, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
import structlog

from gateway.alarm import actions as do
from gateway.live import Live
from gateway.publish import acknowledging, events, leftovers, mqtt
from gateway.publish.broker import subscribe
from gateway.publish.mqtt import publish_mqtt
from gateway.publish.topics import Topics
from gateway.record import outbox
from gateway.settings import Settings
from gateway.views import iso
from tests.alarm.alarm_plant import START, finding, plant
from tests.alarm.running import Gateway, running
from tests.publish.described import fit
from tests.publish.made import options, until
from tests.publish.servers import PASSWORD, Broker

pytestmark = pytest.mark.server

HERE = plant(1, 2)
TOP = "loopwitness/test"
WIRE, FROZEN = "open-circuit:p0-0a", "frozen:p0-1a"
ALARM = f"{TOP}/alarms/open-circuit/p0-0a"
ASK, ANSWERS = f"{TOP}/commands/acknowledge", f"{TOP}/answers/desk-3"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt, "delays", lambda: iter([0.1] * 1000))
    monkeypatch.setattr(events, "LOOK_S", 0.05)
    monkeypatch.setattr(events, "PAUSE_S", 0.2)
    monkeypatch.setattr(mqtt, "FAREWELL_S", 30.0)
    monkeypatch.setattr(leftovers, "SETTLE_S", 30.0)


def settings(broker: Broker, **changes: Any) -> Settings:
    return options(mqtt_host="127.0.0.1", mqtt_port=broker.port, mqtt_interval_s=3600, **changes)


def signed_in(broker: Broker, **changes: Any) -> Settings:
    """With user and password over TLS, and acknowledgements taken."""
    return settings(
        broker, mqtt_tls=True, mqtt_ca_file=broker.folder / "ca.pem", mqtt_username="gateway",
        mqtt_password=PASSWORD, mqtt_acknowledge=True, **changes,
    )  # fmt: skip


@asynccontextmanager
async def publishing(there: Gateway, wanted: Settings) -> AsyncIterator[Live]:
    """While the broker has it, and where it is set, while it takes acknowledgements."""
    taken = asyncio.Event()

    async def subscribed(*given: Any, **named: Any) -> str:
        refused = await subscribe(*given, **named)
        taken.set()
        return refused

    with pytest.MonkeyPatch.context() as patch:
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
    there.row(second - 1)
    there.row(second, finding(HERE, "open-circuit", "p0-0a", at=second))


async def mended(there: Gateway, second: float, since: float) -> None:
    await there.live.alarms.act(do.acknowledge(WIRE, "Ada"))
    there.row(second, finding(HERE, "open-circuit", "p0-0a", "cleared", at=second, since=since))
    there.row(second + 40)
    there.row(second + 41)


async def alarms(broker: Broker) -> dict[str, dict[str, Any]]:
    return {m["id"]: m for m in (await broker.retained(f"{TOP}/alarms/#")).values()}


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


async def test_acknowledged_over_mqtt_5_with_an_answer(
    secure_broker: Broker, tmp_path: Path
) -> None:
    async with running(HERE, tmp_path) as there:
        breaks(there, 2)
        async with (
            publishing(there, signed_in(secure_broker)),
            secure_broker.subscribed(f"{TOP}/#") as got,
        ):
            await until(lambda: ALARM in [m["topic"] for m in got])
            seen = next(m["payload"] for m in got if m["topic"] == ALARM)
            request = {
                "alarm": seen["id"], "onset": seen["onset"], "person": "Ada", "comment": "going",
            }  # fmt: skip
            answer = await secure_broker.request(ASK, json.dumps(request), ANSWERS)
            assert answer
            assert (answer["accepted"], answer["result"], answer["state"]) == (
                True, "acknowledged", "active acknowledged",
            )  # fmt: skip
            assert there.journalled()[-1] == (WIRE, "acknowledge", "Ada (MQTT)", "going")
            again = await secure_broker.request(ASK, json.dumps(request), "elsewhere/desk-3")
            assert again
            assert again["result"] == "acknowledged already"
            bad = await secure_broker.request(ASK, '["everything"]', ANSWERS)
            assert bad
            assert (bad["accepted"], bad["result"]) == (False, "bad")
            assert "an object with alarm, onset and person" in bad["error"]
            late = await secure_broker.request(
                ASK, json.dumps(request | {"onset": iso(START - 9)}), ANSWERS
            )
            assert late
            assert iso(START + 2) in late["error"]
            await until(lambda: [m for m in got if m["topic"] == ALARM][-1]["payload"]
                        ["acknowledged"])  # fmt: skip

            def actors() -> list[str]:
                topic = f"{TOP}/events/alarms"
                return [m["payload"]["actor"] for m in got if m["topic"] == topic]

            await until(lambda: actors() == ["gateway", "Ada (MQTT)"])
            fit((m for m in got if m["payload"] != ["everything"]), Topics("loopwitness", "test"))
        assert [phase for _, phase, _, _ in there.journalled()] == ["alarm", "acknowledge"]


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_acknowledged_by_a_client_that_cannot_ask_for_an_answer(
    secure_broker: Broker, tmp_path: Path, protocol: str
) -> None:
    async with running(HERE, tmp_path) as there:
        breaks(there, 2)
        request = {"alarm": WIRE, "onset": iso(START + 2), "person": "Ada"}
        wanted = signed_in(secure_broker, mqtt_protocol=protocol)
        async with publishing(there, wanted):
            await secure_broker.publish(ASK, "{", "-V", "mqttv311")
            await secure_broker.publish(ASK, json.dumps(request), "-V", "mqttv311")
            await until(lambda: there.states() == {WIRE: "active acknowledged"})
            assert there.live.sinks["mqtt"].connected
        assert there.journalled()[-1] == (WIRE, "acknowledge", "Ada (MQTT)", "")


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_a_retained_request_is_not_carried_out(
    secure_broker: Broker, tmp_path: Path, protocol: str
) -> None:
    async with running(HERE, tmp_path) as there:
        breaks(there, 2)
        request = {"alarm": WIRE, "onset": iso(START + 2), "person": "Ada"}
        await secure_broker.publish(ASK, json.dumps(request), "-r")
        async with publishing(there, signed_in(secure_broker, mqtt_protocol=protocol)):
            await asyncio.sleep(1)
            assert there.states() == {WIRE: "active unacknowledged"}
            frozen = request | {"person": "Ben"}
            await secure_broker.publish(ASK, json.dumps(frozen))
            await until(lambda: there.states() == {WIRE: "active acknowledged"})
        assert there.journalled()[-1][2] == "Ben (MQTT)"


async def test_without_the_setting_nobody_acknowledges(
    secure_broker: Broker, tmp_path: Path
) -> None:
    async with running(HERE, tmp_path) as there:
        breaks(there, 2)
        request = {"alarm": WIRE, "onset": iso(START + 2), "person": "Ada"}
        wanted = signed_in(secure_broker).model_copy(update={"mqtt_acknowledge": False})
        async with publishing(there, wanted):
            told = await secure_broker.request(ASK, json.dumps(request), ANSWERS, wait_s=3)
            assert told is None
        assert there.states() == {WIRE: "active unacknowledged"}


async def asked_in_vain(
    broker: Broker, request: Mapping[str, str], topic: str, logged: Sequence[Any]
) -> Mapping[str, Any]:
    """Ask for an answer that never comes; the line in which the gateway tells why."""

    def told() -> list[Any]:
        return [line for line in logged if line["event"].startswith("no answer")]

    async with broker.subscribed(topic) as got:
        wanted = ("-V", "5", "-D", "publish", "response-topic", topic)
        await broker.publish(ASK, json.dumps(request), *wanted)
        await until(told)
        # What comes behind an answer is there: so would be the answer.
        await broker.publish(topic, '{"after": true}')
        await until(lambda: got)
        assert [message["payload"] for message in got] == [{"after": True}]
    (line,) = told()
    found: Mapping[str, Any] = line
    return found


async def test_no_answer_where_it_would_pass_for_the_gateway(
    secure_broker: Broker, tmp_path: Path
) -> None:
    async with running(HERE, tmp_path) as there:
        breaks(there, 2)
        request = {"alarm": WIRE, "onset": iso(START + 2), "person": "Ada"}
        with structlog.testing.capture_logs() as logged:
            async with publishing(there, signed_in(secure_broker)):
                told = await asked_in_vain(secure_broker, request, f"{TOP}/events/desk", logged)
        assert there.states() == {WIRE: "active acknowledged"}, "done all the same"
        assert told["event"] == "no answer at this topic"
        assert told["topic"] == f"{TOP}/events/desk"


def permit(broker: Broker, *lines: str) -> None:
    """What user "gateway" may do; user "reader" may everything."""
    rules = ["user reader", "topic readwrite #", "user gateway", *lines]
    (broker.folder / "acl").write_text("\n".join(rules) + "\n")


@pytest.fixture
async def strict_broker(secure_broker: Broker) -> Broker:
    """The secure one with a list of who may do what."""
    secure_broker.kill()
    config = secure_broker.folder / "broker.conf"
    config.write_text(config.read_text() + f"acl_file {secure_broker.folder}/acl\n")
    permit(secure_broker, f"topic readwrite {TOP}/#", f"topic deny {TOP}/events/alarms",
           f"topic deny {TOP}/alarms/#")  # fmt: skip
    await secure_broker.start()
    return secure_broker


async def test_what_the_broker_refuses_waits_and_is_told(
    strict_broker: Broker, tmp_path: Path
) -> None:
    """The library takes a refused message for a delivered one: an alarm would be lost."""
    async with running(HERE, tmp_path, 0.05) as there:
        breaks(there, 2)
        await until(lambda: there.store.do(outbox.waiting) == 2)
        async with publishing(there, signed_in(strict_broker)) as live:
            words = ("events wait", "refuses 1 retained states", "Not authorized")
            await until(lambda: all(w in live.sinks["mqtt"].reason for w in words))
            await until(lambda: there.store.do(outbox.waiting) == 1)
            assert live.sinks["mqtt"].connected
            assert await alarms(strict_broker) == {}
            assert f"{TOP}/loops/l0-0" in await strict_broker.retained(f"{TOP}/loops/#")
            permit(strict_broker, f"topic readwrite {TOP}/#")
            async with strict_broker.subscribed(f"{TOP}/events/alarms") as got:
                strict_broker.signal(signal.SIGHUP)
                await until(lambda: len(got) == 1)
            assert got[0]["payload"]["alarm"] == WIRE
            await until(lambda: there.store.do(outbox.waiting) == 0)
            await until(lambda: "events wait" not in live.sinks["mqtt"].reason)


async def test_an_answer_that_the_broker_refuses_harms_nothing(
    strict_broker: Broker, tmp_path: Path
) -> None:
    permit(strict_broker, f"topic readwrite {TOP}/#", f"topic deny {TOP}/answers/#")
    # It listens before it minds signals: one that came earlier would end it.
    await strict_broker.publish("readiness", "1")
    strict_broker.signal(signal.SIGHUP)
    async with running(HERE, tmp_path) as there:
        breaks(there, 2)
        request = {"alarm": WIRE, "onset": iso(START + 2), "person": "Ada"}
        with structlog.testing.capture_logs() as logged:
            async with publishing(there, signed_in(strict_broker)) as live:
                failures = live.sinks["mqtt"].failures
                told = await asked_in_vain(strict_broker, request, ANSWERS, logged)
                mqtt_ = live.sinks["mqtt"]
                assert (mqtt_.connected, mqtt_.failures) == (True, failures)
        assert there.states() == {WIRE: "active acknowledged"}
        assert told["event"] == "no answer: the broker refuses it"


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
