"""An answer fits its request to the last bit, or it is no answer."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.errors import LinkError, ReplyError
from gateway.poll.answer import Asked, asked, complete
from gateway.poll.gate import CutShortError, Gate

# Modbus Application Protocol V1.1b3 section 6.3, read holding registers 108 to 110;
# section 6.4, read input register 9. Header: Messaging on TCP/IP V1.0b section 3.1.3.
REQUEST_03 = bytes.fromhex("0007 0000 0006 01  03 006B 0003")
ANSWER_03 = bytes.fromhex("0007 0000 0009 01  03 06 022B 0000 0064")
REQUEST_04 = bytes.fromhex("0008 0000 0006 01  04 0008 0001")
ANSWER_04 = bytes.fromhex("0008 0000 0005 01  04 02 000A")
# Section 7: function code with its highest bit set, then the exception code.
REFUSAL_03 = bytes.fromhex("0007 0000 0003 01  83 02")
ASKED = Asked(transaction=7, unit=1, function=3, count=3)


def test_requests_as_they_go_out() -> None:
    assert asked(REQUEST_03) == ASKED
    assert asked(REQUEST_04) == Asked(transaction=8, unit=1, function=4, count=1)


@pytest.mark.parametrize("function", [n for n in range(256) if n not in (3, 4)])
def test_nothing_but_reads_may_go_out(function: int) -> None:
    request = REQUEST_03[:7] + bytes([function]) + REQUEST_03[8:]
    with pytest.raises(RuntimeError, match=f"function code {function} must never be sent"):
        asked(request)


@pytest.mark.parametrize(
    ("request_", "data"),
    [(REQUEST_03, ANSWER_03), (REQUEST_04, ANSWER_04), (REQUEST_03, REFUSAL_03)],
)
def test_a_proper_answer_is_complete_at_its_last_byte(request_: bytes, data: bytes) -> None:
    for n in range(len(data)):
        assert not complete(asked(request_), data[:n])
    assert complete(asked(request_), data)
    with pytest.raises(ReplyError, match="1 bytes more than the answer"):
        complete(asked(request_), data + b"\0")


@pytest.mark.parametrize(
    ("data", "oddity"),
    [
        (ANSWER_04, "transaction 8 instead of 7"),
        (b"\0\0" + ANSWER_03[2:], "transaction 0 instead of 7"),
        (ANSWER_03[:3] + b"\1" + ANSWER_03[4:], "protocol 1 instead of 0"),
        (ANSWER_03[:6] + b"\2" + ANSWER_03[7:], "unit 2 instead of 1"),
        (ANSWER_03[:7] + b"\4" + ANSWER_03[8:], "function code 4 instead of 3"),
        (REFUSAL_03[:7] + b"\x84\2", "function code 4 instead of 3"),
        (bytes.fromhex("0007 0000 0007 01 03 04 022B 0000"), "another length than 3 registers"),
        (bytes.fromhex("0007 0000 0009 01 03 04 022B 0000 0064"), "another length"),
        (bytes.fromhex("0007 0000 0002 01 83 02"), "another length"),
        (b"HTTP/1.1 400 Bad Request", "protocol 21584 instead of 0"),
        (b"\xff", "bytes that begin no answer: ff"),
    ],
)
def test_odd_answers(data: bytes, oddity: str) -> None:
    with pytest.raises(ReplyError, match=oddity):
        complete(ASKED, data)


def test_what_came_whole_but_too_late_is_no_part_of_an_answer() -> None:
    given_up: list[object] = []
    gate = Gate(given_up.append)
    gate.begin("holding 107 to 109")
    assert gate.passing(sending=True, data=REQUEST_03) == REQUEST_03
    assert gate.passing(sending=False, data=ANSWER_03[:5]) == b""
    assert type(gate.silence("late")) is CutShortError
    assert gate.passing(sending=False, data=ANSWER_03) == ANSWER_03
    assert type(gate.silence("late")) is LinkError
    assert given_up == []


@given(at=st.integers(0, len(ANSWER_03) - 1), byte=st.integers(0, 255))
def test_one_wrong_byte_in_the_header_is_never_taken(at: int, byte: int) -> None:
    data = ANSWER_03[:at] + bytes([byte]) + ANSWER_03[at + 1 :]
    if at < 9 and data != ANSWER_03:
        with pytest.raises(ReplyError):
            complete(ASKED, data)
    else:
        assert complete(ASKED, data)


@given(data=st.binary(max_size=300))
def test_any_bytes_are_judged(data: bytes) -> None:
    try:
        taken = complete(ASKED, data)
    except ReplyError:
        return
    assert taken == (len(data) == 15 or (len(data) == 9 and data[7] == 0x83))
