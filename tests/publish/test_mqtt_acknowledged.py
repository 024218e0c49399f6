"""Acknowledgements at a real broker, and what a broker refuses."""

from __future__ import annotations

import asyncio
import json
import signal
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
import structlog

from gateway.publish.topics import Topics
from gateway.record import outbox
from gateway.views import iso
from tests.alarm.alarm_plant import START
from tests.alarm.running import running
from tests.publish.alarms_told import ALARM, HERE, TOP, WIRE, alarms, breaks, publishing, signed_in
from tests.publish.described import fit
from tests.publish.made import until
from tests.publish.servers import Broker

pytestmark = pytest.mark.server

ASK, ANSWERS = f"{TOP}/commands/acknowledge", f"{TOP}/answers/desk-3"


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
