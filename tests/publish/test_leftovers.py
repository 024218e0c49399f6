"""What a former time left at the broker: removed, or told anew."""

from __future__ import annotations

import asyncio
from typing import Any

import aiomqtt
import pytest
import structlog

from gateway.annunciator import Annunciator, NoLogbook
from gateway.publish import leftovers
from gateway.publish.broker import MessageRefusedError
from gateway.publish.leftovers import AtBroker, Leftovers
from gateway.publish.topics import Topics
from tests.alarm.alarm_plant import Watch, plant

TOPICS = Topics("x", "test")
HERE = plant(1, 1)


class Broker:
    """Stands for a client: remembers what is published, refuses when told so."""

    def __init__(self, *, refuses: bool = False, keeps: str = "?") -> None:
        self.refuses, self.keeps = refuses, keeps
        self.cleared: list[str] = []
        self.subscribed: list[str] = []
        self.speaks_5 = False

    async def subscribe(self, topics: list[tuple[str, int]]) -> list[int]:
        self.subscribed = [topic for topic, _ in topics]
        return [0x80 if self.refuses else 1] * len(topics)

    async def unsubscribe(self, topics: list[str]) -> None:
        assert topics == self.subscribed
        self.subscribed = []

    async def publish(self, topic: str, payload: bytes, qos: int, *, retain: bool) -> None:
        assert (payload, qos, retain) == (b"", 1, True)
        if self.keeps in topic:
            raise MessageRefusedError("Not authorized")
        self.cleared.append(topic)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(leftovers, "SETTLE_S", 0.01)


def found(**messages: bytes) -> Leftovers:
    """With retained messages taken; a topic's levels are joined by two underlines here."""
    there = Leftovers(Annunciator(Watch(HERE).alarms, NoLogbook()), TOPICS, AtBroker())
    for topic, payload in messages.items():
        name = f"{TOPICS.root}/{topic.replace('__', '/').replace('_', '-')}"
        there.take(aiomqtt.Message(name, payload, 1, retain=True, mid=1, properties=None))
    return there


async def clear(there: Leftovers, broker: Any) -> list[str]:
    async with asyncio.timeout(30):
        await there.clear(broker)
    return [topic.removeprefix(f"{TOPICS.root}/") for topic in broker.cleared]


async def test_what_the_site_has_no_more_is_removed() -> None:
    there = found(
        loops__l0_0=b"{}", loops__old=b"{}", transducers__p0_0a=b"{}", transducers__gone=b"{}",
        controllers__c0=b"{}", controllers__c9=b"{}", alarms__frozen__gone=b"{}",
        alarms__no_such_fault__p0_0a=b"{}", alarms__pressure_high__l0_0=b"{}",
        status=b"{}", events__alarms=b"{}",
    )  # fmt: skip
    broker = Broker()
    assert await clear(there, broker) == [
        "loops/old", "transducers/gone", "controllers/c9", "alarms/frozen/gone",
        "alarms/no-such-fault/p0-0a", "alarms/pressure-high/l0-0",
    ]  # fmt: skip
    assert broker.subscribed == []


async def test_an_alarm_that_stands_there_is_told_anew() -> None:
    there = found(
        alarms__frozen__p0_0a=b'{"state":"active unacknowledged"}',
        alarms__frozen__p0_0b=b'{"state":"normal"}',
        alarms__open_circuit__p0_0a=b"not JSON",
        alarms__open_circuit__p0_0b=b"[1]",
    )
    assert await clear(there, Broker()) == []
    stale = {"frozen:p0-0a", "open-circuit:p0-0a", "open-circuit:p0-0b"}
    assert there._there == AtBroker(stale | {"frozen:p0-0b"}, stale)


async def test_a_broker_that_does_not_let_us_look_is_left_alone() -> None:
    there = found(loops__old=b"{}")
    with structlog.testing.capture_logs() as told:
        assert await clear(there, Broker(refuses=True)) == []
    assert "cannot be looked at" in told[0]["event"]


async def test_what_may_not_be_removed_stays_and_the_rest_goes() -> None:
    there = found(loops__old=b"{}", transducers__old=b"{}")
    with structlog.testing.capture_logs() as told:
        assert await clear(there, Broker(keeps="/loops/")) == ["transducers/old"]
    assert (told[0]["topic"], told[0]["reason"]) == ("x/test/loops/old", "Not authorized")


def test_what_is_known_and_what_may_be_stale() -> None:
    there = AtBroker({"a", "b"}, {"b"})
    there.told({"b"}, {"c"})
    assert there == AtBroker({"a", "b", "c"}, {"c"})
