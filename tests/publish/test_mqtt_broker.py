"""Against a real broker: retained states, last will, TLS, and no event lost whatever dies."""

from __future__ import annotations

import asyncio
import gc
import json
import os
import signal
import subprocess
import sys
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from gateway.live import LinkState, Live
from gateway.publish import broker as link
from gateway.publish import events, mqtt
from gateway.publish.mqtt import publish_mqtt
from gateway.record import outbox
from gateway.record.store import Store, open_store
from gateway.settings import Settings
from tests.publish.made import START, finding, options, plant, shown, transition, until
from tests.publish.servers import PASSWORD, Broker

pytestmark = pytest.mark.server

HERE = plant()
ROOT = Path(__file__).parents[2]
TOP = "loopwitness/test"
FINDINGS, ALARMS = f"{TOP}/events/findings", f"{TOP}/events/alarms"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "history", HERE) as opened:
        yield opened


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(mqtt, "delays", lambda: iter([0.1] * 1000))
    monkeypatch.setattr(mqtt, "FAREWELL_S", 30.0)
    monkeypatch.setattr(events, "LOOK_S", 0.05)


def settings(broker: Broker, **changes: Any) -> Settings:
    return options(mqtt_host="127.0.0.1", mqtt_port=broker.port, mqtt_interval_s=3600, **changes)


@asynccontextmanager
async def publishing(live: Live, store: Store, wanted: Settings) -> AsyncIterator[None]:
    task = asyncio.create_task(publish_mqtt(live, store, wanted))
    try:
        yield
    finally:
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task


def connected(live: Live) -> bool:
    return "mqtt" in live.sinks and live.sinks["mqtt"].connected


def failed(live: Live) -> bool:
    return "mqtt" in live.sinks and live.sinks["mqtt"].failures > 0


def sequences(got: list[dict[str, Any]]) -> list[int]:
    """Sequence numbers in the order of their first arrival."""
    return list(dict.fromkeys(m["payload"]["sequence"] for m in list(got)))


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_retained_states_and_birth(broker: Broker, store: Store, protocol: str) -> None:
    live = Live(HERE)
    shown(live, 0)
    async with publishing(live, store, settings(broker, mqtt_protocol=protocol)):
        await until(lambda: connected(live) and live.sinks["mqtt"].sent >= 4)
        there = await broker.retained(f"{TOP}/#")
        assert set(there) == {
            f"{TOP}/{name}"
            for name in (
                "status",
                "loops/stair",
                "transducers/p1",
                "transducers/p2",
                "controllers/a",
            )
        }
        assert there[f"{TOP}/status"]["state"] == "online"
        assert there[f"{TOP}/loops/stair"]["combined"] == pytest.approx(37.5)
        assert there[f"{TOP}/transducers/p1"]["value"] == pytest.approx(37.5)
        assert there[f"{TOP}/controllers/a"]["connected"] is True
        async with broker.subscribed(f"{TOP}/#", "-R") as got:
            shown(live, 1, percent=51.0)
            shown(live, 2, percent=52.0, findings=(finding("p1"),))
            await until(lambda: len(got) >= 2)
            shown(live, 3, percent=52.0, links={"a": LinkState("a", reason="no answer")})
            await until(lambda: len(got) >= 5)
            assert len(got) == 5
            topics = [message["topic"].removeprefix(f"{TOP}/") for message in got]
            assert topics[:2] == ["loops/stair", "transducers/p1"], "a finding goes at once"
            assert set(topics[2:]) == {"loops/stair", "transducers/p1", "controllers/a"}
            assert got[0]["payload"]["findings"][0]["fault"] == "open-circuit"
            assert {message["qos"] for message in got} == {1}
    status = (await broker.retained(f"{TOP}/status"))[f"{TOP}/status"]
    assert (status["state"], status["reason"]) == ("offline", "stopped")


def child(folder: Path, broker: Broker, events: int, most: int) -> subprocess.Popen[str]:
    script = Path(__file__).with_name("publishing_child.py")
    return subprocess.Popen(
        [sys.executable, str(script), str(folder), str(broker.port), str(events), str(most)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


def no_hole(got: list[dict[str, Any]]) -> list[int]:
    """Numbers of the alarm events, in order; each says which one came before it."""
    alarms = {m["payload"]["sequence"]: m["payload"] for m in got if m["topic"] == ALARMS}
    numbers = sequences([m for m in got if m["topic"] == ALARMS])
    assert [alarms[n]["previous"] for n in numbers] == [0, *numbers[:-1]]
    assert len({one["journal"] for one in alarms.values()}) == 1
    for message in got:
        if message["topic"] == ALARMS:
            one = message["payload"]
            assert one == alarms[one["sequence"]], "a repetition says the same"
    return numbers


async def test_kill_leaves_the_will_and_loses_no_event(broker: Broker, tmp_path: Path) -> None:
    """A kill -9 in the midst of 600 events; a second process finishes what is in the outbox."""
    folder, total = tmp_path / "history", 600
    async with broker.subscribed(f"{TOP}/#", "-i", "watcher", "-c") as got:

        def told() -> list[dict[str, Any]]:
            return [m for m in list(got) if m["topic"] in (FINDINGS, ALARMS)]

        process = child(folder, broker, total, total // 2 + 30)
        await until(lambda: len(told()) > 50)
        process.send_signal(signal.SIGKILL)
        process.wait()
        assert process.stdout is not None
        process.stdout.close()
        will = f"{TOP}/status"
        await until(lambda: [m for m in list(got) if m["topic"] == will][-1]["payload"]["reason"])
        last = [m["payload"] for m in got if m["topic"] == will][-1]
        assert (last["state"], last["reason"]) == ("offline", "connection lost")
        before = len(told())
        assert before < total, "the child stops on its way"
        live = Live(HERE)
        with open_store(folder, HERE) as store:
            left = store.do(outbox.waiting)
            assert left >= total - before
            async with publishing(live, store, settings(broker)):
                await until(lambda: store.do(outbox.waiting) == 0)
            await until(lambda: len(set(sequences(told()))) == total)
        assert sequences(told()) == list(range(1, total + 1)), "each one, in order"
        assert no_hole(told()) == list(range(2, total + 1, 2))
        assert len(told()) <= total + link.IN_FLIGHT, "repeated: those on their way at most"


async def test_broker_stopped_and_started_loses_no_event(broker: Broker, store: Store) -> None:
    live = Live(HERE)
    shown(live, 0)
    number = 0

    def raise_some(count: int) -> None:
        nonlocal number
        for _ in range(count):
            number += 1
            now = START + number
            odd = number % 2
            one = finding("p1", since=now, time=now) if odd else transition(number // 2 - 1)
            store.write([], [one])

    async with (
        broker.subscribed(f"{TOP}/events/#", "-i", "watcher", "-c") as got,
        publishing(live, store, settings(broker)),
    ):
        await until(partial(connected, live))
        raise_some(50)
        await until(lambda: len(set(sequences(got))) == 50)
        broker.signal(signal.SIGTERM)
        raise_some(50)
        await until(lambda: not connected(live))
        assert live.sinks["mqtt"].reason
        broker.kill()
        raise_some(50)
        await broker.start()
        await until(lambda: store.do(outbox.waiting) == 0)
        await until(lambda: len(set(sequences(got))) == 150)
        assert sequences(got) == list(range(1, 151))
        assert no_hole(got) == list(range(2, 151, 2))
        await until(lambda: live.sinks["mqtt"].waiting == 0)
        there = await broker.retained(f"{TOP}/#")
        assert there[f"{TOP}/status"]["state"] == "online"


async def test_broker_that_hangs_is_noticed_and_taken_up_again(
    broker: Broker, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(link, "TIMEOUT_S", 0.5)
    monkeypatch.setattr(link, "FAREWELL_S", 0.2)
    live = Live(HERE)
    shown(live, 0)
    async with publishing(live, store, settings(broker)):
        # So short a time of answer may pass on a slow machine too: then it is told anew.
        await until(lambda: connected(live) and live.sinks["mqtt"].sent >= 4)
        broker.signal(signal.SIGSTOP)
        store.write([], [finding()])
        await until(lambda: not connected(live))
        assert "timed out" in live.sinks["mqtt"].reason
        assert store.do(outbox.waiting) == 1
        broker.signal(signal.SIGCONT)
        await until(lambda: store.do(outbox.waiting) == 0)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_tls_with_password(secure_broker: Broker, store: Store, protocol: str) -> None:
    live = Live(HERE)
    shown(live, 0)
    wanted = settings(
        secure_broker,
        mqtt_protocol=protocol,
        mqtt_tls=True,
        mqtt_ca_file=secure_broker.folder / "ca.pem",
        mqtt_username="gateway",
        mqtt_password=PASSWORD,
    )
    store.write([], [finding()])
    async with (
        secure_broker.subscribed(f"{TOP}/events/#") as got,
        publishing(live, store, wanted),
    ):
        await until(lambda: got)
        there = await secure_broker.retained(f"{TOP}/status")
        assert there[f"{TOP}/status"]["state"] == "online"


async def test_client_certificate(
    secure_broker: Broker, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The broker asks for one."""
    monkeypatch.setattr(link, "TIMEOUT_S", 5.0)
    secure_broker.kill()
    config = secure_broker.folder / "broker.conf"
    config.write_text(config.read_text() + "require_certificate true\n")
    await secure_broker.start()
    folder = secure_broker.folder
    given = {"mqtt_tls": True, "mqtt_ca_file": folder / "ca.pem", "mqtt_username": "gateway"}
    without = settings(secure_broker, **given, mqtt_password=PASSWORD)
    live = Live(HERE)
    async with publishing(live, store, without):
        # The first tries may be too slow for so short a time of answer.
        await until(lambda: "mqtt" in live.sinks)
        await until(lambda: "certificate required" in live.sinks["mqtt"].reason)
    wanted = settings(
        secure_broker,
        **given,
        mqtt_password=PASSWORD,
        mqtt_client_cert_file=folder / "gateway.pem",
        mqtt_client_key_file=folder / "gateway.key",
    )
    async with publishing(live, store, wanted):
        await until(partial(connected, live))


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
async def test_wrong_password_and_wrong_authority(
    secure_broker: Broker, store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    ca = secure_broker.folder / "ca.pem"
    secret = "not-the-password"  # noqa: S105 - of this test only
    cases: list[tuple[dict[str, Any], str]] = [
        ({"mqtt_ca_file": ca, "mqtt_username": "gateway", "mqtt_password": secret}, "authorized"),
        ({"mqtt_username": "gateway", "mqtt_password": PASSWORD}, "certificate verify failed"),
    ]
    for given, words in cases:
        live = Live(HERE)
        async with publishing(live, store, settings(secure_broker, mqtt_tls=True, **given)):
            await until(partial(failed, live))
            assert words in live.sinks["mqtt"].reason.lower()
            assert not {secret, PASSWORD} & set(json.dumps(vars(live.sinks["mqtt"])).split())
    gc.collect()  # paho leaves the socket of a failed handshake to the collector
    told = capsys.readouterr()
    assert secret not in told.out + told.err
    assert PASSWORD not in told.out + told.err
