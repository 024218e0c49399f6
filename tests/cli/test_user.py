"""`loopwitness user`: who may sign in; passwords are typed or come on standard input."""

from __future__ import annotations

import getpass
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from argon2 import profiles
from typer.testing import CliRunner, Result

from gateway.errors import LoopwitnessError
from gateway.people import book, passwords
from gateway.people.roles import Role
from gateway.record.opening import FILE
from gateway.terminal import people
from gateway.terminal.people import user

GOOD, BETTER = "a tube fell off at noon", "the fan was off at night"


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    cheap_ones = passwords.Passwords(profiles.CHEAPEST)
    monkeypatch.setattr(passwords, "Passwords", lambda: cheap_ones)


def run(folder: Path, *words: str, typed: str = "") -> Result:
    """The command on a state folder; `typed` on standard input."""
    return CliRunner().invoke(user, [*words, "--state", str(folder)], input=typed)


def refused(folder: Path, *words: str, typed: str = "") -> str:
    result = run(folder, *words, typed=typed)
    assert isinstance(result.exception, LoopwitnessError), result.output
    assert result.exception.exit_code == 2
    return str(result.exception)


def fits(folder: Path, name: str, password: str) -> bool:
    found = book.read(folder).of(name)
    assert found
    return passwords.Passwords().fits(found.hash, password)


def test_from_the_first_day_to_the_last(tmp_path: Path) -> None:
    folder = tmp_path / "state"
    added = run(folder, "add", "Ada Example", "--role", "operator", typed=GOOD + "\n")
    assert (added.exit_code, added.stdout) == (0, "Ada Example: operator\n")
    # Added where no gateway is: who wonders why nobody can sign in reads which folder it was.
    assert f"No gateway has kept its history in {folder} yet" in added.stderr
    known = tmp_path / "known"
    known.mkdir()
    (known / FILE).touch()
    assert run(known, "add", "Bo", "--role", "viewer", typed=BETTER + "\n").stderr == ""
    assert fits(folder, "Ada Example", GOOD)
    assert json.loads(run(folder, "list", "--json").output) == {
        "people": [{"name": "Ada Example", "role": "operator"}]
    }
    listed = run(folder, "list").output
    assert "Ada Example" in listed
    assert "acknowledge, reset, shelve, unshelve" in " ".join(listed.split())
    editions = {one.edition for one in book.read(folder).people}
    assert run(folder, "role", "ada EXAMPLE", "technician").output == "Ada Example: technician\n"
    assert run(folder, "password", "Ada Example", typed=BETTER).exit_code == 0
    (ada,) = book.read(folder).people
    assert ada.role is Role.TECHNICIAN
    assert ada.edition not in editions, "who is signed in is signed out"
    assert fits(folder, "Ada Example", BETTER)
    assert not fits(folder, "Ada Example", GOOD)
    assert run(folder, "remove", "ADA example").exit_code == 0
    left = book.read(folder)
    assert left.people == ()
    assert [c.what for c in left.changes] == ["added", "role", "password", "removed"]
    assert {(c.name, c.by) for c in left.changes} == {("Ada Example", getpass.getuser())}
    nobody = run(folder, "list").output
    assert f"Nobody can sign in yet where {folder} is the state folder: loopwitness" in nobody


def test_what_is_refused_says_what_is_allowed(tmp_path: Path) -> None:
    run(tmp_path, "add", "Ada Example", "--role", "viewer", typed=GOOD)
    before = (tmp_path / book.FILE).read_bytes()
    add = ("add", "Ben Example", "--role", "viewer")
    assert refused(tmp_path, *add, typed="too short") == (
        "password: 9 characters; allowed: 15 to 128, a sentence for example"
    )
    assert "0 characters" in refused(tmp_path, *add)
    assert "is there already" in refused(
        tmp_path, "add", "ADA example", "--role", "viewer", typed=GOOD
    )
    for name in ("gateway", "Ada (MQTT)", " ", "Ada\u202e"):
        assert "the name of a person" in refused(
            tmp_path, "add", name, "--role", "viewer", typed=GOOD
        ) or name.endswith("\u202e")
    for words in (("role", "Nobody", "viewer"), ("password", "Nobody"), ("remove", "Nobody")):
        assert refused(tmp_path, *words, typed=GOOD) == (
            "NAME: 'Nobody' is not known; allowed: Ada Example"
        )
    no_role = "ROLE: 'boss'; allowed: viewer, operator, technician, administrator"
    assert refused(tmp_path, "add", "Ben Example", "--role", "boss", typed=GOOD) == no_role
    assert refused(tmp_path, "role", "Ada Example", "boss") == no_role
    assert run(tmp_path, "add", "Ben Example", typed=GOOD).exit_code == 2
    assert (tmp_path / book.FILE).read_bytes() == before


def test_typed_twice_on_a_terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    typed = [GOOD, BETTER, GOOD, GOOD]
    asked: list[str] = []

    def getpass_(prompt: str) -> str:
        asked.append(prompt)
        return typed.pop(0)

    monkeypatch.setattr(getpass, "getpass", getpass_)
    monkeypatch.setattr(people, "on_a_terminal", lambda: True)
    add = ("add", "Ada Example", "--role", "viewer")
    assert "typed differently" in refused(tmp_path, *add)
    assert run(tmp_path, *add).exit_code == 0
    assert fits(tmp_path, "Ada Example", GOOD)
    assert asked[0] == "Password for Ada Example (at least 15 characters): "


@pytest.mark.slow
def test_as_a_command_of_its_own(tmp_path: Path) -> None:
    """No password in what it says, nor in what others could see of the process."""
    words = [sys.executable, "-m", "gateway", "user", "add", "Ada Example", "--role", "operator"]
    state = {**os.environ, "LOOPWITNESS_STATE_DIR": str(tmp_path / "state")}
    done = subprocess.run(words, env=state, input=GOOD, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, "Ada Example: operator\n")
    assert GOOD not in done.stderr
    (ada,) = book.read(tmp_path / "state").people
    assert ada.hash.startswith("$argon2id$v=19$m=65536,t=3,p=4$"), "RFC 9106, second option"
    again = subprocess.run(
        words, env=state, input=GOOD, capture_output=True, text=True, check=False
    )
    assert again.returncode == 2
    assert "is there already" in again.stderr
    assert GOOD not in again.stderr
