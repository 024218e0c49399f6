"""Who may act: the token in its file, and how often a wrong one is looked at."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from gateway.errors import StartError
from gateway.web.gate import ADDRESSES, FILE, WITHIN_S, WRONG, Gate, local_token, network
from gateway.web.refusals import RefusalError

GOOD = "x" * 22
BAD = "y" * 22


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


def status(gate: Gate, token: str | None, address: str = "192.0.2.7") -> int:
    """0 when let in; addresses are for documentation (RFC 5737, RFC 3849)."""
    try:
        gate.admit(address, token)
    except RefusalError as error:
        return error.status
    return 0


def test_a_token_is_made_once_for_its_owner_alone(tmp_path: Path) -> None:
    token = local_token(tmp_path)
    # At least 128 bits: so many of 64 signs.
    assert len(token) * math.log2(64) >= 128
    assert (tmp_path / FILE).stat().st_mode & 0o777 == 0o600
    assert local_token(tmp_path) == token
    assert [f.name for f in tmp_path.iterdir()] == [FILE]
    other = tmp_path / "other"
    other.mkdir()
    assert local_token(other) != token


def test_a_half_written_token_of_a_crash_is_not_taken(tmp_path: Path) -> None:
    (tmp_path / FILE).with_suffix(".part").write_text("half", encoding="ascii")
    assert len(local_token(tmp_path)) > LONG
    assert [f.name for f in tmp_path.iterdir()] == [FILE]


LONG = 40


@pytest.mark.parametrize("text", ["", "short", "x" * 21, "é" * 30, "has spaces in between it all"])
def test_a_token_that_could_be_guessed_or_sent_by_no_header(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE).write_text(text, encoding="utf-8")
    with pytest.raises(StartError, match=rf"{FILE}: .*; allowed: "):
        local_token(tmp_path)


def test_a_token_that_others_could_read_is_closed_and_told(tmp_path: Path) -> None:
    file = tmp_path / FILE
    file.write_text(GOOD + "\n", encoding="ascii")
    file.chmod(0o644)
    with capture_logs() as told:
        assert local_token(tmp_path) == GOOD
    assert [line["event"] for line in told] == ["others on this machine could read the token"]
    assert file.stat().st_mode & 0o777 == 0o600


def test_a_folder_that_takes_no_token(tmp_path: Path) -> None:
    (tmp_path / FILE).mkdir()
    with pytest.raises(StartError, match=FILE):
        local_token(tmp_path)


def test_no_token_and_a_wrong_one_are_turned_away_by_name() -> None:
    gate = Gate(GOOD)
    assert gate.open
    assert status(gate, GOOD) == 0
    for token in (None, "", BAD, GOOD + "x", "é" * 22):
        with pytest.raises(RefusalError) as refused:
            gate.admit("192.0.2.7", token)
        assert refused.value.status == 401
        assert refused.value.fault.path == "header.authorization"
        assert FILE in refused.value.fault.allowed
        assert GOOD not in str(refused.value)
        assert refused.value.headers
        assert refused.value.headers["WWW-Authenticate"].startswith("Bearer ")


def test_without_a_token_nobody_may_act() -> None:
    gate = Gate()
    assert not gate.open
    assert [status(gate, token) for token in (None, "", GOOD)] == [403, 403, 403]


def test_wrong_tokens_are_counted_and_then_not_even_looked_at() -> None:
    clock = Clock()
    gate = Gate(GOOD, clock)
    assert [status(gate, BAD) for _ in range(WRONG)] == [401] * WRONG
    # From here on the right one opens nothing either, or guessing would go on.
    assert status(gate, GOOD) == 429
    assert status(gate, GOOD, "192.0.2.8") == 0
    with pytest.raises(RefusalError) as refused:
        gate.admit("192.0.2.7", GOOD)
    assert refused.value.headers
    clock.now += int(refused.value.headers["Retry-After"])
    assert status(gate, GOOD) == 0


def test_a_token_that_is_not_given_is_no_guess() -> None:
    gate = Gate(GOOD)
    assert {status(gate, None) for _ in range(3 * WRONG)} == {401}
    assert status(gate, GOOD) == 0


def test_wrong_tokens_are_forgotten_one_by_one() -> None:
    clock = Clock()
    gate = Gate(GOOD, clock)
    for _ in range(3 * WRONG):
        assert status(gate, BAD) == 401
        clock.now += WITHIN_S / (WRONG - 1)


def test_many_addresses_are_not_remembered_for_ever() -> None:
    gate = Gate(GOOD, Clock())
    for k in range(ADDRESSES + 50):
        assert status(gate, BAD, f"10.0.{k // 256}.{k % 256}") == 401
    assert len(gate._wrong) == ADDRESSES


def test_addresses_of_one_household_count_together() -> None:
    # RFC 6177, RFC 4291: an end site has at least a /64, and a host may choose among its addresses.
    assert network("2001:db8::1") == network("2001:db8::ffff:1")
    assert network("2001:db8::1") != network("2001:db8:0:1::1")
    assert network("::ffff:192.0.2.1") != network("::ffff:192.0.2.2")
    assert network("192.0.2.1") != network("192.0.2.2")
    assert network("") == ""
