"""The demo's people: new passwords each time, and none where others can come."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.demo.people import NAMES, password, told
from gateway.people import book
from gateway.people.passwords import Passwords, checked
from gateway.people.roles import Role


def test_passwords_are_long_enough_and_never_the_same() -> None:
    made = {password() for _ in range(200)}
    assert len(made) == 200
    assert all(checked(one, "Ada Example") == one for one in made)


@pytest.mark.slow
def test_each_role_once_with_what_is_printed(tmp_path: Path) -> None:
    first, *lines = told(tmp_path, loopback=True)
    assert "made-up" in first
    printed = dict(zip(NAMES, (line.split()[-1] for line in lines), strict=True))
    people = book.read(tmp_path)
    assert {one.name: one.role for one in people.people} == NAMES
    assert set(NAMES.values()) == set(Role)
    ada = people.of("Ada Example")
    assert ada
    assert Passwords().fits(ada.hash, printed["Ada Example"])
    assert told(tmp_path, loopback=True)[1:] != lines


def test_nobody_where_others_can_come(tmp_path: Path) -> None:
    (line,) = told(tmp_path, loopback=False)
    assert line.startswith("Nobody can sign in")
    assert not (tmp_path / book.FILE).exists()


@pytest.mark.slow
def test_a_folder_that_cannot_be_written_stops_no_demo(tmp_path: Path) -> None:
    (tmp_path / book.LOCK).mkdir()
    (line,) = told(tmp_path, loopback=True)
    assert line.startswith("Nobody can sign in: ")
