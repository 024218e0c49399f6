"""The journal asked: pages, words, the time a search may take, and the alarms of a period."""

from __future__ import annotations

import itertools
import json
import sqlite3
import tracemalloc
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.alarm.performance import report
from gateway.alarm.states import Event, State
from gateway.alarm.transition import Priority, Transition
from gateway.record import journal, lookup, schema
from gateway.record.journal import Entry, Search
from gateway.record.store import open_store
from tests.record.made import START, finding, plant, rows

T0 = 1_780_272_000.0
HOUR = 3600.0
T0_HOUR = round(START // HOUR * HOUR * 1000)
WALK = (
    State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.RETURNED, State.SHELVED,
)  # fmt: skip


@contextmanager
def opened() -> Iterator[sqlite3.Connection]:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as connection:
        schema.upgrade(connection, "memory")
        yield connection


@pytest.fixture
def connection() -> Iterator[sqlite3.Connection]:
    with opened() as there:
        yield there


def step(
    at: float, alarm: str, before: State, after: State, *, actor: str = "", reason: str = ""
) -> Transition:
    fault, _, subject = alarm.partition(":")
    return Transition(
        T0 + at, 0, alarm, fault, "transducer", subject, Event.ALARM, before, after, Priority.LOW,
        "made up", actor, reason,
    )  # fmt: skip


def plain(connection: sqlite3.Connection, count: int, reason: str = "") -> None:
    for k in range(count):
        entry = Entry(0, round(T0 * 1000) + k, "relearn", f"l{k}", reason=reason)
        journal.append(connection, entry)


def paged(connection: sqlite3.Connection, wanted: Search, limit: int, text: str = "") -> list[int]:
    """Sequence numbers from page after page."""
    seqs: list[int] = []
    while True:
        found = lookup.page(connection, wanted, limit, text=text)
        assert len(found.entries) <= limit
        seqs += [e.seq for e in found.entries]
        if found.before is None:
            return seqs
        wanted = Search(**{**vars(wanted), "before": found.before})


@given(st.integers(0, 40), st.integers(1, 12), st.integers(1, 7))
@settings(max_examples=30)
def test_pages_hold_everything_once_newest_first(count: int, limit: int, first: int) -> None:
    with opened() as connection, pytest.MonkeyPatch.context() as patch:
        patch.setattr(lookup, "FIRST", first)
        plain(connection, count)
        assert paged(connection, Search(), limit) == list(range(count, 0, -1))
        middle = Search(start=T0 + 0.005, end=T0 + 0.02)
        assert paged(connection, middle, limit) == list(range(min(count, 20), 5, -1))
        assert paged(connection, Search(subject="l3"), limit) == ([4] if count > 3 else [])


def test_by_actor_and_by_what_an_entry_is_about(connection: sqlite3.Connection) -> None:
    wire = step(0, "open-circuit:p1", State.UNACKNOWLEDGED, State.ACKNOWLEDGED, actor="A. Night")
    journal.append_all(connection, [finding(), wire], outbox=False)
    assert paged(connection, Search(actor="A. Night"), 9) == [2]
    assert paged(connection, Search(ref="open-circuit:p1"), 9) == [2]
    assert paged(connection, Search(actor="a. night"), 9) == []


@pytest.mark.parametrize(
    ("text", "seqs"),
    [
        ("straße", [1]),
        ("STRASSE", [1]),  # caseless matching: Unicode Standard, section 3.13
        ("meter 3", [2]),
        ("made up", [2]),
        ("open-circuit", [3, 2]),
        ("P1", [3, 2]),
        ("priority", []),  # the name of a field is nothing that people read
        ("%", []),
    ],
)
def test_text_is_found_in_what_people_read(
    connection: sqlite3.Connection, text: str, seqs: list[int]
) -> None:
    plain(connection, 1, reason="Arbeiten an der Straße")
    wire = step(0, "open-circuit:p1", State.NORMAL, State.UNACKNOWLEDGED, reason="meter 3 fetched")
    journal.append_all(connection, [wire, finding()], outbox=False)
    assert paged(connection, Search(), 9, text) == seqs


def test_a_search_stops_in_time_and_tells_where_to_go_on(
    connection: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lookup, "FIRST", 10)
    monkeypatch.setattr(lookup, "WIDEST", 10)
    plain(connection, 35)
    journal.append(connection, Entry(0, 0, "relearn", "needle"))
    plain(connection, 35)
    ticks = itertools.count()
    wanted = Search(subject="needle")
    asked = []
    while True:
        page = lookup.page(connection, wanted, seconds=2, clock=lambda: next(ticks))
        asked.append((len(page.entries), page.before))
        if page.before is None:
            break
        wanted = Search(subject="needle", before=page.before)
    assert asked == [(0, 52), (1, 32), (0, 12), (0, None)]


def test_a_page_beyond_the_end_is_empty(connection: sqlite3.Connection) -> None:
    assert lookup.page(connection, Search()) == lookup.Page([], None)
    plain(connection, 3)
    assert lookup.page(connection, Search(before=1)) == lookup.Page([], None)
    assert lookup.page(connection, Search(start=T0 + 9)) == lookup.Page([], None)


@given(
    st.lists(st.tuples(st.integers(0, 3), st.integers(0, 4), st.integers(1, 20)), max_size=40),
    st.integers(0, 300),
    st.integers(1, 300),
)
def test_a_report_from_few_entries_is_the_report_from_all(
    walk: list[tuple[int, int, int]], start: int, hours: int
) -> None:
    now, states = 0.0, [State.NORMAL] * 4
    history = []
    for alarm, after, pause in walk:
        now += pause * HOUR
        if states[alarm] is not WALK[after]:
            history.append(step(now, f"open-circuit:p{alarm}", states[alarm], WALK[after]))
            states[alarm] = WALK[after]
    standing = [f"open-circuit:p{k}" for k, s in enumerate(states) if s is not State.NORMAL]
    begin, end = T0 + start * HOUR, T0 + (start + hours) * HOUR
    with opened() as connection:
        journal.append_all(connection, history, outbox=False)
        few = lookup.transitions(connection, begin, end, standing)
    assert report(few, begin, end) == report(history, begin, end)


def test_what_nobody_saw_is_left_out(connection: sqlite3.Connection) -> None:
    alarm = "open-circuit:p1"
    hidden = [
        step(0, alarm, State.NORMAL, State.SHELVED), step(1, alarm, State.SHELVED, State.NORMAL),
    ]  # fmt: skip
    up = step(2, alarm, State.NORMAL, State.UNACKNOWLEDGED)
    journal.append_all(connection, [*hidden, up], outbox=False)
    assert lookup.transitions(connection, T0 - 1, T0 + 9) == [up]


def test_a_month_of_alarms_takes_what_a_report_needs(connection: sqlite3.Connection) -> None:
    """Entries hold words for people, five times as much; none is kept longer than it is read."""
    chain = [State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED, State.NORMAL]
    steps = [
        step(k, f"open-circuit:p{k // 3 % 9}", chain[k % 3], chain[k % 3 + 1]) for k in range(3000)
    ]
    journal.append_all(connection, steps, outbox=False)
    tracemalloc.start()
    try:
        found = lookup.transitions(connection, T0, T0 + 9000)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert found == steps
    assert peak < 1200 * len(steps)


def test_an_entry_that_nobody_can_read_is_left_out(connection: sqlite3.Connection) -> None:
    up = step(0, "open-circuit:p1", State.NORMAL, State.UNACKNOWLEDGED)
    journal.append_all(connection, [up], outbox=False)
    connection.execute("UPDATE journal SET body = ?", (json.dumps({"event": "odd"}),))
    journal.append_all(connection, [up], outbox=False)
    assert lookup.transitions(connection, T0 - 1, T0 + 1) == [up]


def test_a_history_begins_with_the_oldest_of_what_is_kept(tmp_path: Path) -> None:
    here = plant()
    with open_store(tmp_path, here) as store:
        assert store.do(lookup.begun) is None
        store.write([], [finding(time=START + 99)])
        assert store.do(lookup.begun) == START + 99
        store.write([rows(here, 3)], [])
        assert store.do(lookup.begun) == START
        # Rows are pruned, their minutes stay.
        store.do(lambda c: c.execute("DELETE FROM readings"))
        store.do(lambda c: c.execute("INSERT INTO rollups VALUES (1, ?, x'')", (T0_HOUR,)))
        assert store.do(lookup.begun) == T0_HOUR / 1000
