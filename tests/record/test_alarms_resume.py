"""Alarms as the journal left them: read once, then only what came after."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import structlog

from gateway.alarm.memory import restore
from gateway.alarm.transition import Transition
from gateway.record import alarms, journal, memory
from gateway.record.journal import Entry, Search
from gateway.record.store import open_store
from tests.alarm.alarm_plant import Watch, finding, plant

HERE = plant(2, 2)


def history() -> list[Transition]:
    """Some alarms that come, go and stay."""
    watch = Watch(HERE)
    watch.wait(10, [finding(HERE, "open-circuit", "p0-0a", at=4)])
    watch.wait(20, [finding(HERE, "frozen", "p1-0a", at=15)])
    watch.wait(90, [finding(HERE, "frozen", "p1-0a", "cleared", at=25, since=15)])
    return watch.said


def test_a_transition_comes_back_from_the_journal(tmp_path: Path) -> None:
    said = history()
    with open_store(tmp_path, HERE) as store:
        store.write([], said)
        entries = store.do(journal.search, Search(kind="alarm"))[::-1]
    assert [journal.to_transition(entry) for entry in entries] == said
    first = entries[0]
    assert (first.ref, first.fault, first.subject, first.phase, first.actor) == (
        "open-circuit:p0-0a", "open-circuit", "p0-0a", "alarm", "gateway"
    )  # fmt: skip


def test_findings_stay_open_beside_alarms(tmp_path: Path) -> None:
    one = finding(HERE, "open-circuit", "p0-0a")
    with open_store(tmp_path, HERE) as store:
        store.write([], [one, *history()])
        assert store.do(journal.open_findings) == (one,)


def test_only_what_came_after_is_read_again(tmp_path: Path) -> None:
    said = history()
    with open_store(tmp_path, HERE) as store:
        for k, one in enumerate(said):
            store.write([], [one])
            assert store.do(alarms.resume) == restore(said[: k + 1])
        read: list[str] = []

        def resume(connection: sqlite3.Connection) -> object:
            connection.set_trace_callback(read.append)
            try:
                return alarms.resume(connection)
            finally:
                connection.set_trace_callback(None)

        assert store.do(resume) == restore(said)
        (last,) = store.do(lambda c: c.execute("SELECT max(seq) FROM journal").fetchone())
        assert any(f"WHERE seq > {last} AND" in statement for statement in read)
        assert not any(s.startswith("INSERT") for s in read), "nothing new, nothing written"


def test_what_is_remembered_can_be_thrown_away(tmp_path: Path) -> None:
    said = history()
    with open_store(tmp_path, HERE) as store:
        store.write([], said)
        whole = store.do(alarms.resume)
        store.do(lambda c: c.execute("DELETE FROM memory").rowcount)
        assert store.do(alarms.resume) == whole
        store.do(memory.keep, alarms.NAME, 1, {"seq": 3, "stored": {"form": 0}})
        with structlog.testing.capture_logs() as told:
            assert store.do(alarms.resume) == whole
        assert "whole journal" in told[0]["event"]


def test_an_entry_that_cannot_be_read_is_told_and_passed_over(tmp_path: Path) -> None:
    said = history()
    with open_store(tmp_path, HERE) as store:
        store.write([], said[:1])
        seq = store.do(journal.append, Entry(0, 1, "alarm", "p0-0a", body={"event": "explode"}))
        store.write([], said[1:])
        with structlog.testing.capture_logs() as told:
            assert store.do(alarms.resume) == restore(said)
        assert [line["seq"] for line in told] == [seq]
        assert "explode" in told[0]["reason"]
