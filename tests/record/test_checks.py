"""Loop checks on disk: events in order, records in a chain that tells what was done to it."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gateway.loopcheck.events import Abandoned, Finished, Noted
from gateway.loopcheck.moves import replay
from gateway.record import checks
from gateway.record.store import Store, open_store
from tests.loopcheck.made import ADA, START, begun, whole
from tests.record.made import plant

AT: dict[str, Any] = {"time": START + 1, "person": ADA}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path, plant()) as opened:
        yield opened


def body(number: int, previous: str) -> dict[str, Any]:
    return {"number": number, "previous": previous, "loop": "stair", "verdict": "pass ✓",
            "as_found_verdict": "fail"}  # fmt: skip


def finished(store: Store, *runs: str) -> None:
    for run in runs:
        store.do(checks.finish, run, Finished(**AT), body)


def test_events_come_back_as_they_went(store: Store) -> None:
    run = whole(begun())
    kept = [run.begun, *run.recorded.values(), *run.decided.values()]
    for event in kept:
        store.do(checks.append, "a", event)
    store.do(checks.append, "b", begun().begun)
    assert store.do(checks.events, "a") == kept
    assert replay(store.do(checks.events, "a")).recorded == run.recorded
    assert store.do(checks.events, "nobody's") == []


def test_what_is_neither_finished_nor_abandoned_is_open(store: Store) -> None:
    for run in ("a", "b", "c"):
        store.do(checks.append, run, begun().begun)
        store.do(checks.append, run, Noted(**AT, text="x"))
    store.do(checks.append, "a", Abandoned(**AT, reason="called away"))
    finished(store, "b")
    assert store.do(checks.unfinished) == ["c"]


def test_records_follow_each_other(store: Store) -> None:
    finished(store, "a", "b")
    newest, oldest = store.do(checks.records)
    assert (newest.number, newest.run, oldest.number) == (2, "b", 1)
    assert (newest.verdict, newest.as_found) == ("pass ✓", "fail")
    first, second = store.do(checks.record, 1), store.do(checks.record, 2)
    assert first
    assert second
    assert first[0]["previous"] == checks.FIRST
    assert second[0]["previous"] == first[1] == oldest.hash
    assert store.do(checks.record, 3) is None
    assert store.do(checks.broken) == []


def test_a_record_that_cannot_be_made_leaves_the_run_open(store: Store) -> None:
    store.do(checks.append, "a", begun().begun)

    def fails(_number: int, _previous: str) -> dict[str, Any]:
        raise ValueError("no")

    with pytest.raises(ValueError, match="no"):
        store.do(checks.finish, "a", Finished(**AT), fails)
    assert store.do(checks.unfinished) == ["a"]
    assert store.do(checks.records) == []


def tampered(store: Store, *statements: str) -> list[str]:
    def work(connection: sqlite3.Connection) -> None:
        for statement in statements:
            connection.execute(statement)

    finished(store, "a", "b", "c")
    store.do(work)
    return store.do(checks.broken)


def test_a_changed_record_shows(store: Store) -> None:
    change = "UPDATE check_records SET body = replace(body, 'pass', 'fail') WHERE number = 2"
    assert tampered(store, change) == ["record 2: changed after it was made"]


def test_a_record_with_a_new_hash_shows_in_the_next(store: Store) -> None:
    finished(store, "a", "b", "c")

    def forge(connection: sqlite3.Connection) -> None:
        text = checks.canonical({**body(2, checks.FIRST), "verdict": "fail"})
        found = checks.record(connection, 1)
        assert found
        text = text.replace(checks.FIRST, found[1])
        connection.execute(
            "UPDATE check_records SET body = ?, hash = ? WHERE number = 2",
            (text, checks.digest(text)),
        )

    store.do(forge)
    assert store.do(checks.broken) == ["record 3: does not follow the record before it"]


def test_a_record_that_is_gone_shows(store: Store) -> None:
    found = tampered(store, "DELETE FROM check_records WHERE number = 2")
    assert found == [
        "record 3: does not follow the record before it", "b: finished, but its record is gone",
    ]  # fmt: skip


def test_the_last_record_gone_leaves_no_gap_and_shows_all_the_same(store: Store) -> None:
    found = tampered(store, "DELETE FROM check_records WHERE number = 3")
    assert found == ["c: finished, but its record is gone"]


def test_the_first_record_gone_shows(store: Store) -> None:
    found = tampered(store, "DELETE FROM check_records WHERE number = 1")
    assert found == [
        "record 2: does not follow the record before it", "record 3: out of its place",
        "a: finished, but its record is gone",
    ]  # fmt: skip


def test_a_printed_record_stays_as_it_was_first_made(store: Store) -> None:
    finished(store, "a")
    assert store.do(checks.printed, 1) is None
    store.do(checks.keep_printed, 1, b"first")
    store.do(checks.keep_printed, 1, b"second")
    assert store.do(checks.printed, 1) == b"first"
