"""Old rows go, in small steps, while the writer goes on."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
import structlog
from pydantic import ValidationError

from gateway.errors import StoreError
from gateway.live import SinkState
from gateway.record import alarms, cursors, journal, outbox, retention, rollup
from gateway.record.retention import Keep
from gateway.record.store import Store, open_store
from gateway.settings import Settings
from tests.alarm.alarm_plant import Watch
from tests.alarm.alarm_plant import finding as finding_of
from tests.alarm.alarm_plant import plant as alarm_plant
from tests.record.made import START, finding, plant, rows

HERE = plant()
NOW = START + 10 * 86_400
HOUR = START + -START % 3600
"""The first full hour."""


async def test_rows_older_than_kept_go_and_the_writer_gets_its_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention, "STEP_ROWS", 10)
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 95)], [finding()])
        store.write([rows(HERE, 5, start=NOW - 86_400)], [finding("p2", time=NOW)])
        pruning = asyncio.create_task(retention.prune(store, Keep(2.0, 10.0, 100.0), NOW))
        await asyncio.sleep(0)
        async with asyncio.timeout(30):
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


def hours_of(store: Store, table: str) -> int:
    question = f"SELECT count(DISTINCT hour_ms) FROM {table}"  # noqa: S608 - own table names
    (number,) = store.do(lambda c: c.execute(question).fetchone())
    return int(number)


async def test_minutes_go_later_and_hours_last(tmp_path: Path) -> None:
    keep = Keep(raw=1.0, minutes=5.0, hours=50.0)
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 200, step=60.0)])
        kept = hours_of(store, "rollups")
        assert kept == hours_of(store, "hours") >= 3
        await retention.prune(store, keep, START + 4 * 86_400)
        assert hours_of(store, "rollups") == kept
        await retention.prune(store, keep, START + 6 * 86_400)
        assert (hours_of(store, "rollups"), hours_of(store, "hours")) == (0, kept)
        await retention.prune(store, keep, START + 51 * 86_400)
        assert hours_of(store, "hours") == 0


async def test_an_hour_whose_rows_are_due_to_go_keeps_its_minutes_after_a_clock_was_far_back(
    tmp_path: Path,
) -> None:
    """Summaries are made anew from the rows that are there: never from half an hour of them."""

    def counted(store: Store) -> int:
        (number,) = store.do(
            lambda c: c.execute("SELECT id FROM series WHERE name = 'transducer/p1'").fetchone()
        )
        first, last = round(HOUR * 1000), round((HOUR + 3600) * 1000)
        return int(store.do(rollup.minutes, number, first, last)[1].count.sum())

    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 3 * 360, start=HOUR - 3600, step=10.0)])
        whole = counted(store)
        assert await retention.prune(store, Keep(0.5, 9.0, 9.0), HOUR + 1800 + 43_200) == 360
        store.write([rows(HERE, 2, start=HOUR - 400 * 86_400)])
        for k in range(3):
            store.write([rows(HERE, 2, start=HOUR + 50_000 + 10 * k)])
        assert counted(store) == whole
        assert await retention.prune(store, Keep(0.5, 9.0, 9.0), HOUR + 3600 + 43_200) == 362
        assert counted(store) == whole


async def test_journal_is_for_ever_unless_wanted_otherwise(tmp_path: Path) -> None:
    later = START + 1000 * 86_400
    with open_store(tmp_path, HERE, events=False) as store:
        store.write([], [finding(), finding("p1", "cleared")])
        await retention.prune(store, Keep(1.0, 1.0, 1.0), later)
        assert len(store.do(journal.search, journal.Search())) == 2


async def test_old_journal_goes_but_not_what_something_rests_on(tmp_path: Path) -> None:
    """Open findings, events on their way, and how alarms stand outlive the days that are kept."""
    watch = Watch(alarm_site := alarm_plant())
    at = finding_of(alarm_site, "open-circuit", "p0-0a", at=4)
    watch.wait(10, [at])
    later, keep = START + 1000 * 86_400, Keep(1.0, 1.0, 1.0, journal=100.0)
    with open_store(tmp_path, alarm_site, events=False) as store:
        store.write([], [finding(), finding("p1", "cleared"), finding("p2"), *watch.said])
        store.write([], [finding("p1", time=later, since=later)])
        await retention.prune(store, keep, later)
        left = store.do(journal.search, journal.Search())
        assert [(e.kind, e.subject) for e in left] == [("finding", "p1"), ("finding", "p2")]
        assert store.do(alarms.resume) == watch.alarms.stored, "remembered before it went"
        assert len(store.do(journal.open_findings)) == 2
    with open_store(tmp_path / "other", HERE) as store:
        store.write([], [finding(), finding("p1", "cleared")])
        await retention.prune(store, Keep(5000.0, 5000.0, 5000.0, journal=1.0), later)
        assert len(store.do(outbox.take, 9)) == 2


async def test_for_ever_whatever_the_disk_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    slept: list[float] = []
    sinks: dict[str, SinkState] = {}

    async def sleep(seconds: float) -> None:
        slept.append(seconds)
        if len(slept) == 3:
            raise asyncio.CancelledError

    async def refuse(*_: object) -> int:
        raise StoreError("history: database or disk is full")

    monkeypatch.setattr(retention, "prune", refuse)
    with open_store(tmp_path, HERE) as store, pytest.raises(asyncio.CancelledError):
        await retention.keep_pruned(store, Keep(1, 1, 1), sinks, clock=lambda: NOW, sleep=sleep)
    assert slept == [retention.EVERY_S] * 3


@pytest.mark.parametrize("connected", [True, False])
async def test_rows_that_a_receiver_never_got_are_told(tmp_path: Path, *, connected: bool) -> None:
    """Once, with their number, and only of a receiver that there still is."""
    sinks = {"influx": SinkState("influx")} if connected else {}
    slept = 0

    async def sleep(_: float) -> None:
        nonlocal slept
        slept += 1
        if slept == 2:
            raise asyncio.CancelledError

    with open_store(tmp_path, HERE) as store, structlog.testing.capture_logs() as told:
        store.write([rows(HERE, 100, start=HOUR - 60)])
        store.do(cursors.put, "influx", round((HOUR - 60 + 39) * 1000))
        with pytest.raises(asyncio.CancelledError):
            await retention.keep_pruned(
                store, Keep(1, 2, 3), sinks, clock=lambda: HOUR + 86_400 + 10, sleep=sleep
            )
    (warned,) = [one["rows"] for one in told if "never sent" in one["event"]] or [0]
    assert warned == (20 if connected else 0)


class Hours:
    """A clock for `keep_pruned` that goes on by an hour at each pass and may leap."""

    def __init__(self, store: Store, leaps: dict[int, float], last: int) -> None:
        self.store, self.leaps, self.last = store, leaps, last
        self.now, self.passes, self.left = START, 0, list[int]()

    def write(self) -> None:
        """The rows of this hour."""
        self.store.write([rows(HERE, 6, start=self.now, step=600.0)])

    async def sleep(self, _: float) -> None:
        counted = self.store.do(lambda c: c.execute("SELECT count(*) FROM scans").fetchone())
        self.left.append(int(counted[0]))
        self.passes += 1
        if self.passes == self.last:
            raise asyncio.CancelledError
        self.now += 3600 + self.leaps.get(self.passes, 0.0)
        self.write()


@pytest.mark.slow
async def test_a_clock_that_leaps_years_ahead_does_not_have_everything_removed(
    tmp_path: Path,
) -> None:
    """It takes a day until it is believed; set right before, nothing is lost."""
    years = 9 * 365 * 86_400.0
    sinks: dict[str, SinkState] = {}
    with open_store(tmp_path, HERE) as store:
        hours = Hours(store, {30: years, 50: -years, 90: 2 * years}, 120)
        with pytest.raises(asyncio.CancelledError):
            await retention.keep_pruned(
                store, Keep(4, 9, 9), sinks, clock=lambda: hours.now, sleep=hours.sleep
            )
        assert hours.left[:113] == [6 * (k + 1) - 6 for k in range(113)], "all of it stays"
        assert hours.left[-1] < 300, "what is believed counts"


async def test_a_disk_that_takes_no_rows_gets_room(tmp_path: Path) -> None:
    sinks = {"store": SinkState("store", connected=False, reason="full")}
    with open_store(tmp_path, HERE) as store:
        store.write([rows(HERE, 6)])
        hours = Hours(store, {}, 1)
        hours.now = NOW
        with pytest.raises(asyncio.CancelledError):
            await retention.keep_pruned(
                store, Keep(1, 2, 3), sinks, clock=lambda: hours.now, sleep=hours.sleep
            )
        assert hours.left == [0]


def test_coarser_records_stay_no_shorter_than_finer_ones() -> None:
    with pytest.raises(ValidationError, match="LOOPWITNESS_KEEP_DAYS, which is 500"):
        Settings(_env_file=None, keep_days=500)
    with pytest.raises(ValidationError, match="LOOPWITNESS_KEEP_MINUTES_DAYS, which is 450"):
        Settings(_env_file=None, keep_hours_days=400)
    Settings(_env_file=None, keep_days=500, keep_minutes_days=500)
