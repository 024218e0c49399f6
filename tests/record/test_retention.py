"""Old rows go, in small steps, while the writer goes on."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from gateway.errors import StoreError
from gateway.record import journal, outbox, retention
from gateway.record.store import open_store
from tests.record.made import START, finding, plant, rows

HERE = plant()
NOW = START + 10 * 86_400


async def test_rows_older_than_kept_go_and_the_writer_gets_its_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention, "STEP_ROWS", 10)
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 95)], [finding()])
        store.write([rows(HERE, 5, start=NOW - 86_400)], [finding("p2", time=NOW)])
        pruning = asyncio.create_task(retention.prune(store, 2.0, NOW))
        await asyncio.sleep(0)
        async with asyncio.timeout(1):
            await store.apart(store.write, [rows(HERE, 1, start=NOW)])
        assert not pruning.done(), "the row did not wait for the end"
        assert await pruning == 95
        left = store.do(
            lambda c: c.execute(
                "SELECT (SELECT count(*) FROM scans), (SELECT count(*) FROM readings)"
            ).fetchone()
        )
        assert left == (6, 6)
        assert [one.entry.subject for one in store.do(outbox.take, 9)] == ["p2"]
        assert len(store.do(journal.open_findings)) == 2, "the journal stays"


async def test_minutes_go_later(tmp_path: Path) -> None:
    def hours() -> int:
        (number,) = store.do(
            lambda c: c.execute("SELECT count(DISTINCT hour_ms) FROM rollups").fetchone()
        )
        return int(number)

    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 200, step=60.0)])
        kept = hours()
        assert kept >= 3
        await retention.prune(store, 1.0, START + 4 * 86_400)
        assert hours() == kept
        await retention.prune(store, 1.0, START + 6 * 86_400)
        assert hours() == 0


async def test_for_ever_whatever_the_disk_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    slept: list[float] = []

    async def sleep(seconds: float) -> None:
        slept.append(seconds)
        if len(slept) == 3:
            raise asyncio.CancelledError

    async def refuse(*_: object) -> int:
        raise StoreError("history: database or disk is full")

    monkeypatch.setattr(retention, "prune", refuse)
    with open_store(tmp_path, HERE) as store, pytest.raises(asyncio.CancelledError):
        await retention.keep_pruned(store, 1.0, clock=lambda: NOW, sleep=sleep)
    assert slept == [retention.EVERY_S] * 3
