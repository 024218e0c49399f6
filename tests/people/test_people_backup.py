"""People go into a backup with the history, and come back where nobody is lost or let in by it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from gateway.people import book
from gateway.people.book import People
from gateway.record import memory
from gateway.record.backup import BESIDE, beside_of
from gateway.record.opening import FILE
from gateway.record.store import open_store
from gateway.safekeeping import backup, restore
from tests.record.made import START, plant, rows
from tests.web.persons import ADA, VICTOR, people


def recorded(folder: Path) -> Path:
    with open_store(folder, plant()) as store:
        store.write([rows(plant(), 5, start=START)])
    return folder


def names(folder: Path) -> list[str]:
    return [one.name for one in book.read(folder).people]


def test_there_and_back(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    state, copy = recorded(tmp_path / "state"), tmp_path / "copy.sqlite3"
    book.write(state, people())
    backup(copy, state)
    assert copy.stat().st_mode & 0o777 == 0o600
    assert "argon2" not in capsys.readouterr().out
    # Somebody was removed since: they stay removed, unless it is asked for.
    book.change(state, lambda now: now.without(ADA))
    restore(copy, state)
    assert names(state) == [VICTOR.replace("Victor", k) for k in ("Olive", "Tess", "Victor")]
    restore(copy, state, people=True)
    assert ADA in names(state)
    assert "4 people can sign in again" in capsys.readouterr().out
    # Somewhere else, where nobody is: they come along.
    other = tmp_path / "other"
    other.mkdir()
    restore(copy, other)
    assert names(other) == [one.name for one in people().people]
    assert (other / book.FILE).stat().st_mode & 0o777 == 0o600
    ada, before = book.read(other).of(ADA), people().of(ADA)
    assert ada
    assert before
    assert (ada.hash, ada.role) == (before.hash, before.role)
    assert ada.edition != before.edition, "no session of before goes on"
    assert {change.what for change in book.read(other).changes} == {"restored"}
    with closing(sqlite3.connect(other / FILE)) as connection:
        assert memory.recall(connection, BESIDE) is None, "no hashes in the history"


def test_a_history_without_people_is_copied_as_ever(tmp_path: Path) -> None:
    state, copy = recorded(tmp_path / "state"), tmp_path / "copy.sqlite3"
    backup(copy, state)
    assert dict(beside_of(copy)) == {}
    book.write(state, people())
    restore(copy, state, people=True)
    assert names(state) == [one.name for one in people().people], "nobody is lost by it"


def test_a_damaged_file_of_people_keeps_no_history_from_being_copied(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    state, copy = recorded(tmp_path / "state"), tmp_path / "copy.sqlite3"
    (state / book.FILE).write_text("{", encoding="utf-8")
    backup(copy, state)
    assert copy.exists()
    assert "the people are not in the copy" in capsys.readouterr().err


def test_an_empty_list_is_nobody(tmp_path: Path) -> None:
    state, copy = recorded(tmp_path / "state"), tmp_path / "copy.sqlite3"
    book.write(state, People())
    backup(copy, state)
    assert dict(beside_of(copy)) == {}
