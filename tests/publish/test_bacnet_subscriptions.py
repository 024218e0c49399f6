"""When subscribers are told; stamps of the device's clock."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from datetime import UTC, datetime
from math import inf
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from bacpypes3.apdu import AbortPDU, AbortReason
from bacpypes3.pdu import IPv4Address
from bacpypes3.primitivedata import ObjectIdentifier

from gateway.publish import bacnet_subscriptions
from gateway.publish.bacnet_alarms import Terms
from gateway.publish.bacnet_board import NEVER, Board, same, stamp, west_minutes
from gateway.publish.bacnet_changes import ChangeAnswers
from gateway.publish.bacnet_events import Events
from gateway.publish.bacnet_inputs import inputs
from gateway.publish.bacnet_subscriptions import Subscriptions, shown
from gateway.publish.bacnet_values import Shown
from tests.publish.bacnet_site import plant

INPUTS = inputs(plant(), {"stair": Terms(2.5, 15.0)})
NUMBERS = {one.name: k + 1 for k, one in enumerate(INPUTS)}


def board(value: float = 40.0, reliability: int = 0) -> Board:
    made = Board(INPUTS, NUMBERS, Events(INPUTS, "test"), UTC)
    made.shown = Shown(0.0, [value] * 6, [reliability] * 6, {})
    return made


def told(subscriptions: Subscriptions, at: Board, now: float = 0.0) -> int:
    found = list(subscriptions.due(at, now))
    for one in found:
        one.told = shown(at, one.index)
    return len(found)


def test_told_at_once_then_by_the_increment_of_what_was_told() -> None:
    here = Subscriptions()
    here.add("x", 1, 0, confirmed=False, until=inf)
    step = INPUTS[0].cov_increment
    values = [40.0, 40.0, 40 + 0.9 * step, 40 + 1.01 * step, 40 + 0.2 * step, 40 - step]
    assert [told(here, board(v)) for v in values] == [1, 0, 0, 1, 0, 1]


def test_told_when_only_the_reliability_changes() -> None:
    here = Subscriptions()
    here.add("x", 1, 0, confirmed=False, until=inf)
    assert [told(here, board(40.0, r)) for r in (0, 4, 4, 5, 0)] == [1, 1, 0, 1, 1]


def test_renewing_tells_again_and_ending_ends() -> None:
    here = Subscriptions()
    for _ in range(2):
        assert here.add("x", 1, 0, confirmed=True, until=inf) is not None
        assert told(here, board()) == 1
    assert len(here) == 1
    here.cancel("x", 2, 0)
    assert len(here) == 1
    here.cancel("x", 1, 0)
    assert len(here) == 0


def test_a_subscription_ends_with_its_time() -> None:
    here = Subscriptions()
    one = here.add("x", 1, 0, confirmed=False, until=100.0)
    assert one is not None
    assert (one.left_s(90.2), one.left_s(99.9)) == (10, 1)
    assert told(here, board(1.0), 99.9) == 1
    assert told(here, board(90.0), 100.0) == 0
    assert len(here) == 0


def test_nobody_fills_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bacnet_subscriptions, "MOST", 3)
    here = Subscriptions()
    made = [here.add("x", k, 0, confirmed=False, until=inf) for k in range(4)]
    assert made[3] is None
    assert here.add("x", 2, 0, confirmed=False, until=inf) is made[2], "renewing needs no room"


def test_one_at_a_time_while_it_is_not_confirmed() -> None:
    here = Subscriptions()
    one = here.add("x", 1, 0, confirmed=True, until=inf)
    assert one is not None
    one.busy = True
    assert told(here, board()) == 0
    one.busy = False
    assert told(here, board()) == 1


async def test_only_losses_in_a_row_end_a_subscription() -> None:
    answers, tasks = ChangeAnswers(), list[asyncio.Task[None]]()
    outcomes = iter([True, False, False, True, False, False, True, False, False, False])

    class Sending:
        device = ObjectIdentifier(("device", 1))

        def start(self, work: Coroutine[Any, Any, None], name: str) -> None:
            tasks.append(asyncio.create_task(work, name=name))

        async def confirmed(self, _: Any) -> None:
            if not next(outcomes):
                raise AbortPDU(True, 1, AbortReason.tsmTimeout)  # noqa: FBT003 - library's order

    sending: Any = Sending()
    answers.board, answers.sending, answers.subscriptions = board(), sending, Subscriptions()
    answers.subscriptions.add(IPv4Address("192.0.2.20"), 1, 0, confirmed=True, until=inf)
    for number in range(10):
        assert len(answers.subscriptions) == 1, number
        answers.board.shown = board(10.0 * number).shown
        await answers.tell_changes()
        await asyncio.gather(*tasks)
    assert len(answers.subscriptions) == 0


def test_stamps_are_in_the_time_of_the_site() -> None:
    summer = datetime(2026, 7, 5, 22, 30, 15, 678_000, UTC).timestamp()
    assert stamp(summer, UTC) == ((126, 7, 5, 7), (22, 30, 15, 67))
    zone = ZoneInfo("Europe/Berlin")
    assert stamp(summer, zone) == ((126, 7, 6, 1), (0, 30, 15, 67))
    assert stamp(None, zone) == NEVER
    # Minutes to the west are positive; standard time without the hour of summer.
    assert west_minutes(summer, zone) == (-60, True)
    assert west_minutes(summer, ZoneInfo("America/Denver")) == (420, True)
    assert west_minutes(summer, ZoneInfo("Asia/Kolkata")) == (-330, False)


def test_stamps_of_one_instant() -> None:
    one = stamp(1_780_000_000.5, UTC)
    any_day = ((*one[0][:3], 255), one[1])
    assert same(one, any_day)
    assert same(any_day, one)
    assert not same(one, stamp(1_780_000_000.51, UTC))
    assert not same(one, stamp(1_780_086_400.5, UTC))
    assert not same(one, ((*one[0][:3], one[0][3] % 7 + 1), one[1]))
