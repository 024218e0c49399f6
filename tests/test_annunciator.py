"""Acting on alarms: recorded before it is confirmed, refused while nothing can be recorded."""

from __future__ import annotations

import asyncio
from contextlib import AbstractAsyncContextManager
from pathlib import Path

import pytest

from gateway.alarm import actions as do
from gateway.alarm.states import RefusedError
from gateway.errors import StoreError
from gateway.live import Live
from tests.alarm.alarm_plant import START, finding, plant
from tests.alarm.running import LONG_S, Gateway, running

HERE = plant(1, 2)
WIRE = "open-circuit:p0-0a"


def gateway(folder: Path, interval_s: float = LONG_S) -> AbstractAsyncContextManager[Gateway]:
    return running(HERE, folder, interval_s)


async def test_an_action_is_on_disk_and_shown_when_it_returns(tmp_path: Path) -> None:
    async with gateway(tmp_path) as there:
        there.row(1)
        there.row(2, finding(HERE, "open-circuit", "p0-0a", at=2))
        assert there.states() == {WIRE: "active unacknowledged"}
        (one,) = await there.live.alarms.act(do.acknowledge(WIRE, "Ada", "on my way"))
        assert one.memory.acknowledged
        assert there.states() == {WIRE: "active acknowledged"}
        assert there.live.latest
        assert there.live.latest.number == 3
        assert there.journalled() == [
            (WIRE, "alarm", "gateway", ""), (WIRE, "acknowledge", "Ada", "on my way")
        ]  # fmt: skip
    async with gateway(tmp_path) as again:
        assert [s.memory.state for s in again.live.alarms.standing] == ["active acknowledged"]


async def test_the_target_comes_first_in_the_answer(tmp_path: Path) -> None:
    async with gateway(tmp_path) as there:
        there.row(1)
        until = START + 600
        away = do.out_of_service("loop", "l0-0", "Ada", "damper", until)
        changed = await there.live.alarms.act(away)
        kinds = {(s.definition.kind, s.definition.subject) for s in changed}
        assert kinds == {("loop", "l0-0"), ("transducer", "p0-0a"), ("transducer", "p0-0b")}
        shelved = await there.live.alarms.act(do.shelve("frozen:p0-1a", "Ada", "known", until))
        assert shelved[0].memory.shelf
        told = there.live.alarms.reported([finding(HERE, "frozen", "p0-0a")])
        assert told[0].status == "function check"


async def test_what_cannot_be_is_refused_and_leaves_nothing(tmp_path: Path) -> None:
    async with gateway(tmp_path) as there:
        there.row(1)
        for wrong in (do.acknowledge(WIRE, "Ada"), do.acknowledge("frozen:nowhere", "Ada")):
            with pytest.raises(RefusedError, match=wrong.target):
                await there.live.alarms.act(wrong)
        with pytest.raises(RefusedError, match="frozen:nowhere"):
            there.live.alarms.of("frozen:nowhere")
        assert there.live.alarms.of(WIRE).memory.state == "normal"
        assert there.journalled() == []


async def test_a_full_disk_is_told_then_refused_and_nothing_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with gateway(tmp_path, 0.01) as there:
        there.row(1)
        there.row(2, finding(HERE, "open-circuit", "p0-0a", at=2))
        await there.live.alarms.recorded()

        def full(*_: object) -> None:
            raise StoreError("history: database or disk is full")

        with monkeypatch.context() as patch:
            patch.setattr(there.store, "write", full)
            with pytest.raises(StoreError, match=r"done, but not recorded yet.*full"):
                await there.live.alarms.act(do.acknowledge(WIRE, "Ada"))
            assert there.states() == {WIRE: "active acknowledged"}
            with pytest.raises(StoreError, match=r"nothing can be recorded now.*full"):
                await there.live.alarms.act(do.shelve(WIRE, "Ada", "later", START + 100))
            with pytest.raises(StoreError, match="full"):
                await there.live.alarms.recorded()
            assert there.states() == {WIRE: "active acknowledged"}
        async with asyncio.timeout(30):
            while not there.live.sinks["store"].connected:  # noqa: ASYNC110 - a plain dictionary
                await asyncio.sleep(0.005)
        assert [phase for _, phase, _, _ in there.journalled()] == ["alarm", "acknowledge"]


async def test_one_who_does_not_wait_has_acted_all_the_same(tmp_path: Path) -> None:
    async with gateway(tmp_path) as there:
        there.row(1)
        there.row(2, finding(HERE, "open-circuit", "p0-0a", at=2))
        task = asyncio.create_task(there.live.alarms.act(do.acknowledge(WIRE, "Ada")))
        await asyncio.sleep(0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await there.live.alarms.recorded()
        assert [phase for _, phase, _, _ in there.journalled()] == ["alarm", "acknowledge"]


async def test_nobody_acts_on_a_gateway_that_stops_or_records_nothing(tmp_path: Path) -> None:
    async with gateway(tmp_path) as there:
        there.row(1)
        there.live.alarms.close("the gateway is stopping")
        with pytest.raises(StoreError, match="stopping"):
            await there.live.alarms.act(do.shelve(WIRE, "Ada", "later", START + 100))
    with pytest.raises(StoreError, match="no store"):
        await Live(HERE).alarms.act(do.shelve(WIRE, "Ada", "later", START + 100))
