"""People in their file: names, roles, passwords, changes; who may write and read it."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from argon2 import profiles
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from gateway.errors import StartError
from gateway.people import book
from gateway.people.book import Book, People, Person
from gateway.people.names import name, same
from gateway.people.passwords import COST, LEAST, MOST, Passwords, checked
from gateway.people.roles import DEEDS, Role, deeds_of
from gateway.people.telling import KIND, tell
from gateway.record import journal, schema
from gateway.record.journal import Search

CHEAP = Passwords(profiles.CHEAPEST)
GOOD = "a tube fell off at noon"


def person(called: str = "Ada Example", role: Role = Role.OPERATOR) -> Person:
    return Person(name=called, role=role, hash=CHEAP.hash(GOOD), edition=book.edition())


def added(folder: Path, one: Person) -> None:
    book.change(folder, lambda people: people.with_person(one).told("added", one, 1000.0, "root"))


def test_roles_hold_what_the_ones_before_them_do() -> None:
    order = [Role.VIEWER, Role.OPERATOR, Role.TECHNICIAN, Role.ADMINISTRATOR]
    for k, role in enumerate(order):
        assert [role.covers(other) for other in order] == [j <= k for j in range(4)]
    assert deeds_of(None) == deeds_of(Role.VIEWER) == []
    assert set(deeds_of(Role.OPERATOR)) == {"acknowledge", "reset", "shelve", "unshelve"}
    more = set(deeds_of(Role.TECHNICIAN)) - set(deeds_of(Role.OPERATOR))
    assert more == {"out-of-service", "back-in-service", "check", "relearn"}
    assert set(deeds_of(Role.ADMINISTRATOR)) == set(DEEDS)


def test_a_hash_is_argon2id_with_the_published_cost() -> None:
    # RFC 9106, section 4, second recommended option: t = 3, m = 2^16 KiB, p = 4, 128-bit salt,
    # 256-bit tag.
    assert (COST.type.name, COST.time_cost, COST.memory_cost, COST.parallelism) == (
        "ID",
        3,
        2**16,
        4,
    )
    assert (COST.salt_len, COST.hash_len) == (16, 32)
    kept = CHEAP.hash(GOOD)
    assert kept.startswith("$argon2id$")
    assert kept != CHEAP.hash(GOOD), "every hash has its own salt"
    assert CHEAP.fits(kept, GOOD)
    assert not CHEAP.fits(kept, GOOD + ".")
    assert not CHEAP.fits(None, GOOD)
    assert not CHEAP.fits(None, "of nobody"), "what nobody's hash is made of opens nothing"
    assert not CHEAP.fits("no hash", GOOD)


def test_letters_are_compared_however_they_are_composed() -> None:
    composed, apart = "caf\u00e9 au lait de l'aube", "cafe\u0301 au lait de l'aube"
    assert CHEAP.fits(CHEAP.hash(checked(apart)), composed)
    assert CHEAP.fits(CHEAP.hash(checked(composed)), apart)


@pytest.mark.parametrize(
    ("password", "words"),
    [
        ("", "0 characters; allowed: 15 to 128"),
        ("x" * (LEAST - 1), "14 characters; allowed: 15"),
        ("xyzzy" * 30, "150 characters; allowed: 15 to 128"),
        ("a" * LEAST, "easily guessed"),
        ("ADA EXAMPLE of Harbour", "easily guessed"),
    ],
)
def test_a_password_that_is_none(password: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        checked(password, "Ada Example of Harbour")
    assert MOST >= 64, "a sentence must fit: NIST SP 800-63B-4"


@given(st.text(min_size=1, max_size=90))
def test_a_name_is_one_line_that_nobody_else_could_have(text: str) -> None:
    try:
        found = name(text)
    except ValueError:
        return
    assert found == found.strip()
    assert found.isprintable() or not any(c in found for c in "\n\r\t\x00")
    assert not set(found) & set("()")
    assert same(found) == same(f" {found.upper()} ") or not found.isascii()


def test_people_are_kept_for_their_owner_alone_and_found_whatever_the_case(tmp_path: Path) -> None:
    added(tmp_path / "state", person())
    added(tmp_path / "state", person("Ben Example", Role.VIEWER))
    people = book.read(tmp_path / "state")
    assert [one.name for one in people.people] == ["Ada Example", "Ben Example"]
    found = people.of("  ada EXAMPLE ")
    assert found is not None
    assert found.role is Role.OPERATOR
    file = tmp_path / "state" / book.FILE
    assert file.stat().st_mode & 0o777 == 0o600
    assert GOOD not in file.read_text(encoding="utf-8")
    assert [change.what for change in people.changes] == ["added", "added"]
    assert people.without("BEN example").people == (found,)


def test_what_fails_changes_nothing(tmp_path: Path) -> None:
    added(tmp_path, person())
    before = (tmp_path / book.FILE).read_bytes()

    def fails(_: People) -> People:
        raise RuntimeError

    with pytest.raises(RuntimeError):
        book.change(tmp_path, fails)
    assert (tmp_path / book.FILE).read_bytes() == before
    added(tmp_path, person("Ben Example"))  # the lock is free again


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the text: "),
        ('{"people": [{"name": "Ada"}]}', "people.0.role: Field required; allowed: what"),
        ('{"version": 2}', "version 2; allowed: 1"),
        ('{"versions": 1}', "versions: "),
    ],
)
def test_a_damaged_file_is_told_and_lets_nobody_in(tmp_path: Path, text: str, words: str) -> None:
    added(tmp_path, person())
    people = Book(tmp_path)
    assert people().of("Ada Example")
    (tmp_path / book.FILE).write_text(text, encoding="utf-8")
    with pytest.raises(StartError, match=words):
        book.read(tmp_path)
    with capture_logs() as told:
        assert people().people == ()
        assert people().people == ()
    assert [line["event"] for line in told] == ["nobody can sign in: the file of people"]


def test_a_running_gateway_sees_every_change(tmp_path: Path) -> None:
    people = Book(tmp_path)
    assert people().people == ()
    added(tmp_path, person())
    first = people().of("Ada Example")
    assert first is not None
    changed = first.model_copy(update={"role": Role.VIEWER})
    book.change(tmp_path, lambda all_: all_.with_person(changed))
    assert people().people == (changed,)
    (tmp_path / book.FILE).unlink()
    assert people().people == ()


def test_changes_go_into_the_journal_once(tmp_path: Path) -> None:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    schema.upgrade(connection, "memory")
    added(tmp_path, person())
    for _ in range(2):
        tell(connection, book.read(tmp_path).changes)
    ada = person()
    book.change(
        tmp_path, lambda people: people.without(ada.name).told("removed", ada, 2000.0, "eve")
    )
    for _ in range(2):
        tell(connection, book.read(tmp_path).changes)
    entries = journal.search(connection, Search(kind=KIND))
    assert [(e.phase, e.subject, e.actor, e.reason, e.time_ms) for e in entries] == [
        ("removed", "Ada Example", "local", "on the command line by eve", 2_000_000),
        ("added", "Ada Example", "local", "on the command line by root", 1_000_000),
    ]
    assert entries[1].body["message"] == "Ada Example may sign in as operator"
    assert GOOD not in str(entries)
    connection.close()


def test_only_the_latest_changes_are_kept() -> None:
    people, one = People(), person()
    for k in range(book.CHANGES + 5):
        people = people.told("password", one, float(k), "root")
    assert len(people.changes) == book.CHANGES
    assert people.changes[-1].time == book.CHANGES + 4
