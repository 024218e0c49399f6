"""How events leave: in order, one recipient not waiting for another. No sockets."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from datetime import UTC
from itertools import repeat
from typing import Any

import pytest
from bacpypes3.apdu import AbortPDU, AbortReason, RejectPDU
from bacpypes3.pdu import IPv4Address
from bacpypes3.primitivedata import ObjectIdentifier

from gateway.live import SinkState
from gateway.publish import bacnet_sending
from gateway.publish.bacnet_alarms import Terms
from gateway.publish.bacnet_board import Board
from gateway.publish.bacnet_codes import EventState
from gateway.publish.bacnet_events import Events, Notice
from gateway.publish.bacnet_inputs import inputs
from gateway.publish.bacnet_sending import Recipients
from gateway.publish.sink import Sink
from tests.publish.bacnet_site import plant
from tests.publish.made import until

INPUTS = inputs(plant(), {"stair": Terms(2.5, 15.0)})
BOARD = Board(INPUTS, {one.name: k + 1 for k, one in enumerate(INPUTS)}, Events(INPUTS, "x"), UTC)
NEAR, FAR = IPv4Address("192.0.2.20:47808"), IPv4Address("192.0.2.21:47808")


def notice(number: int) -> Notice:
    states = EventState.NORMAL, EventState.FAULT
    return Notice(0, "alarm", *states, 1_780_000_000.0, f"number {number}", 1.0, 4)


class Post:
    """Stands for the protocol: `answer` says what becomes of a request."""

    device = ObjectIdentifier(("device", 1))

    def __init__(self, answer: Callable[[str, str], Exception | None]) -> None:
        self.sinks: dict[str, SinkState] = {}
        self.sink = Sink("bacnet", self.sinks)
        self.answer = answer
        self.tasks: list[asyncio.Task[None]] = []
        self.taken: list[tuple[str, str]] = []

    def start(self, work: Coroutine[Any, Any, None], name: str) -> None:
        self.tasks.append(asyncio.create_task(work, name=name))

    def unconfirmed(self, request: Any) -> None:
        self.taken.append((str(request.pduDestination), str(request.messageText)))

    async def confirmed(self, request: Any) -> None:
        await asyncio.sleep(0)
        to, text = str(request.pduDestination), str(request.messageText)
        if (trouble := self.answer(to, text)) is not None:
            raise trouble
        self.taken.append((to, text))

    def taken_by(self, address: IPv4Address) -> list[str]:
        return [text for to, text in self.taken if to == str(address)]


@asynccontextmanager
async def posted(
    answer: Callable[[str, str], Exception | None], monkeypatch: pytest.MonkeyPatch, **given: bool
) -> AsyncIterator[tuple[Post, Recipients]]:
    monkeypatch.setattr(bacnet_sending, "delays", lambda: repeat(0.0))
    post: Any = Post(answer)
    confirmed = given.get("confirmed", True)
    yield post, Recipients(BOARD, post, [NEAR, FAR], confirmed=confirmed)
    for task in post.tasks:
        task.cancel()
    await asyncio.gather(*post.tasks, return_exceptions=True)


async def settle() -> None:
    for _ in range(80):
        await asyncio.sleep(0)


TEXTS = [f"number {k}" for k in range(5)]


@pytest.mark.parametrize("confirmed", [True, False])
async def test_everyone_gets_everything_in_order(
    monkeypatch: pytest.MonkeyPatch, *, confirmed: bool
) -> None:
    async with posted(lambda *_: None, monkeypatch, confirmed=confirmed) as (post, recipients):
        recipients.tell([notice(k) for k in range(3)])
        assert post.sinks["bacnet"].waiting == 6
        await settle()
        recipients.tell([])
        recipients.tell([notice(k) for k in range(3, 5)])
        await settle()
        assert post.taken_by(NEAR) == post.taken_by(FAR) == TEXTS
        assert post.sinks["bacnet"].waiting == 0
        assert post.sinks["bacnet"].connected


async def test_who_does_not_answer_is_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    away = True

    def answer(to: str, _: str) -> Exception | None:
        return lost() if away and to == str(FAR) else None

    async with posted(answer, monkeypatch) as (post, recipients):
        recipients.tell([notice(k) for k in range(5)])
        await until(lambda: post.taken_by(NEAR) == TEXTS)
        assert post.taken_by(FAR) == [], "nobody waited for it"
        state = post.sinks["bacnet"]
        assert not state.connected
        assert state.reason == f"recipient {FAR} does not confirm notifications"
        away = False
        await until(lambda: post.taken_by(FAR) == TEXTS)
        assert post.sinks["bacnet"].connected


def lost() -> AbortPDU:
    """What comes of a request that nobody answers."""
    return AbortPDU(True, 1, AbortReason.tsmTimeout)  # noqa: FBT003 - the library's order


async def test_who_refuses_is_not_pestered(monkeypatch: pytest.MonkeyPatch) -> None:
    def answer(to: str, text: str) -> Exception | None:
        return RejectPDU(1, 9) if (to, text) == (str(FAR), "number 0") else None

    async with posted(answer, monkeypatch) as (post, recipients):
        recipients.tell([notice(0)])
        await settle()
        assert "refuses notifications" in post.sinks["bacnet"].reason
        recipients.tell([notice(1)])
        await settle()
        assert post.taken_by(FAR) == ["number 1"]
        assert post.sinks["bacnet"].connected


async def test_too_much_for_one_who_is_away_loses_the_oldest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(bacnet_sending, "QUEUE", 3)
    away = True

    def answer(to: str, _: str) -> Exception | None:
        return lost() if away and to == str(FAR) else None

    async with posted(answer, monkeypatch) as (post, recipients):
        for k in range(5):
            recipients.tell([notice(k)])
            if k == 4:
                assert "oldest notifications are lost" in post.sinks["bacnet"].reason
            await settle()
        away = False
        await until(lambda: post.taken_by(FAR) == TEXTS[2:])
        assert post.taken_by(NEAR) == TEXTS
