"""The journal and the outbox: what was open, what is to be sent, what can be found."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.alarm.actions import acknowledge
from gateway.record import journal, outbox, schema
from gateway.record.journal import Entry, Search
from gateway.record.store import Store, open_store
from tests.alarm.alarm_plant import Watch
from tests.alarm.alarm_plant import finding as alarm_finding
from tests.alarm.alarm_plant import plant as alarm_plant
from tests.record.made import START, finding, plant

HERE = alarm_plant(1, 2)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path, plant()) as opened:
        yield opened


def test_finding_comes_back_as_it_was(store: Store) -> None:
    one = finding()
    store.write([], [one])
    (back,) = store.do(journal.open_findings)
    assert {**vars(back), "evidence": None} == {**vars(one), "evidence": None}
    assert str(back.evidence) == str(one.evidence), "NaN included"
    assert back.id == one.id


@given(st.lists(st.tuples(st.sampled_from("abc"), st.booleans()), max_size=20))
@settings(max_examples=30)
def test_open_is_what_was_raised_and_not_cleared(events: list[tuple[str, bool]]) -> None:
    """Against a dictionary that is kept alongside."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    schema.upgrade(connection, "memory")
    wanted: dict[str, float] = {}
    for number, (subject, up) in enumerate(events):
        now = START + number
        if up and subject not in wanted:
            wanted[subject] = now
            journal.append_all(connection, [finding(subject, since=now, time=now)], outbox=True)
        elif not up and subject in wanted:
            since = wanted.pop(subject)
            cleared = finding(subject, "cleared", since=since, time=now)
            journal.append_all(connection, [cleared], outbox=True)
    found = journal.open_findings(connection)
    connection.close()
    assert {f.subject: f.since for f in found} == wanted
    assert [f.since for f in found] == sorted(wanted.values()), "oldest first"


def test_outbox_keeps_order_until_done(store: Store) -> None:
    store.write([], [finding(f"p{k}", time=START + k) for k in range(5)])
    first = store.do(outbox.take, 2)
    assert [one.entry.subject for one in first] == ["p0", "p1"]
    assert store.do(outbox.take, 2) == first, "taken is not done"
    store.do(outbox.done, [first[0].entry.seq])
    assert [one.entry.subject for one in store.do(outbox.take, 9)] == ["p1", "p2", "p3", "p4"]
    assert store.do(outbox.waiting) == 4


def test_outbox_survives_and_sequence_never_repeats(tmp_path: Path) -> None:
    with open_store(tmp_path, plant()) as store:
        store.write([], [finding("p1")])
        (one,) = store.do(outbox.take, 9)
    with open_store(tmp_path, plant()) as store:
        store.write([], [finding("p2")])
        seqs = [one.entry.seq for one in store.do(outbox.take, 9)]
        store.do(outbox.done, seqs)
        store.do(lambda c: c.execute("DELETE FROM journal"))
        store.write([], [finding("p3")])
        (last,) = store.do(outbox.take, 9)
    assert seqs[0] == one.entry.seq
    assert last.entry.seq > seqs[1]


def test_transitions_of_alarms_go_too_and_know_the_one_before(store: Store) -> None:
    """`previous` counts entries of the same kind, sent or not, so that a hole is seen."""
    watch = Watch(HERE)
    wire = alarm_finding(HERE, "open-circuit", "p0-0a", at=5)
    watch.wait(10, [wire])
    watch.do(acknowledge("open-circuit:p0-0a", "Ada"))
    raised, seen = watch.said
    store.write([], [wire, raised, wire, seen, wire])
    taken = store.do(outbox.take, 9)
    assert [(one.entry.seq, one.entry.kind, one.previous) for one in taken] == [
        (1, "finding", 0), (2, "alarm", 0), (3, "finding", 1), (4, "alarm", 2), (5, "finding", 3),
    ]  # fmt: skip
    assert journal.to_transition(taken[3].entry) == seen
    store.do(outbox.done, [1, 2, 3])
    assert [one.previous for one in store.do(outbox.take, 9)] == [2, 3], "done ones count"


def test_a_journal_begun_anew_is_another_one(tmp_path: Path) -> None:
    names = []
    for folder in ("one", "one", "two"):
        with open_store(tmp_path / folder, plant()) as store:
            store.write([], [finding("p1")])
            names.append(store.do(outbox.take, 1)[0].journal)
    assert names[0] == names[1] != names[2]


def test_no_broker_no_outbox(tmp_path: Path) -> None:
    with open_store(tmp_path, plant(), events=False) as store:
        store.write([], [finding()])
        assert store.do(outbox.waiting) == 0
        assert len(store.do(journal.open_findings)) == 1


def test_search_by_time_subject_fault_and_pages(store: Store) -> None:
    for k in range(10):
        store.write([], [finding(f"p{k % 2}", time=START + k, since=START + k)])
    store.do(journal.append, Entry(0, round(START * 1000), "shelved", "p1", actor="Duty desk"))

    def find(wanted: Search, limit: int = 100) -> list[Entry]:
        return store.do(journal.search, wanted, limit)

    assert len(find(Search())) == 11
    assert [e.time_ms for e in find(Search(start=START + 8))] == [
        round((START + k) * 1000) for k in (9, 8)
    ]
    assert {e.subject for e in find(Search(end=START + 4, kind="finding"))} == {"p0", "p1"}
    assert len(find(Search(subject="p1", fault="open-circuit"))) == 5
    assert find(Search(fault="short-circuit")) == []
    assert find(Search(kind="shelved"))[0].actor == "Duty desk"
    pages, before = [], None
    while page := find(Search(before=before), 4):
        pages += page
        before = page[-1].seq
    assert pages == find(Search())
