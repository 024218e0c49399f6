"""What a start makes of the journal."""

from __future__ import annotations

import asyncio
from pathlib import Path

import structlog

from gateway.record.store import open_store
from gateway.watching import restored
from tests.alarm.alarm_plant import Watch, finding, plant


def test_alarms_come_back_and_those_of_what_is_gone_are_told(tmp_path: Path) -> None:
    large, small = plant(2), plant(1)
    watch = Watch(large)
    watch.wait(10, [finding(large, "open-circuit", k, at=4) for k in ("p0-0a", "p1-0a")])
    with open_store(tmp_path, large) as store:
        store.write([], watch.said)
        live = restored(large, store, asyncio.Queue())
        assert live.alarms.standing == watch.alarms.standing()
    with open_store(tmp_path, small) as store, structlog.testing.capture_logs() as told:
        live = restored(small, store, asyncio.Queue())
        assert [s.definition.id for s in live.alarms.standing] == ["open-circuit:p0-0a"]
    assert [line["alarms"] for line in told] == [["open-circuit:p1-0a"]]
