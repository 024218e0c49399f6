"""What is typed becomes what the gateway is told; what it answers becomes lines."""

from __future__ import annotations

import os
from typing import Any

import pytest

from gateway.terminal import patience
from gateway.terminal.client import GatewayError
from gateway.terminal.keys import Keys
from gateway.terminal.screen import Screen
from gateway.terminal.session import Session
from gateway.terminal.words import pressure, tampered

from .fake import DONE, RECORD, Body, Fake, check, read


class Lines(Screen):
    """What was said."""

    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []

    def say(self, line: str) -> None:
        self.said.append(line)

    show = say


class Typed(Keys):
    """Lines that are typed when they are asked for, not while something is waited for."""

    def __init__(self, *lines: str) -> None:
        super().__init__(-1)
        self._lines = list(lines)

    def line(self, seconds: float | None = None) -> str | None:
        if seconds is not None:
            return None
        self.ended = not self._lines
        return self._lines.pop(0) if self._lines else None


def run(
    first: Body, gateway: Fake, *typed: str, keys: Keys | None = None
) -> tuple[Any, list[str], list[tuple[str, Body]]]:
    """A session with these lines typed; what it gives, what it said, what the gateway was told."""
    lines = Lines()
    found = Session(gateway, first, "Ada", keys or Typed(*typed), lines).run()
    return found, lines.said, gateway.told


def test_enter_applies_and_finishes() -> None:
    applied = check(applied=True, why="3 of 5 readings, 2 of 5 s")
    record, said, told = run(check(), Fake(applied, DONE), "", "")
    assert record == RECORD
    assert told == [
        ("applied", {"person": "Ada", "step": "s1", "shown": {}}),
        ("finish", {"person": "Ada", "reason": ""}),
    ]
    assert "[1/2] p1: apply 37.5 Pa." in said
    assert "      p1 37.60 Pa: 3 of 5 readings, 2 of 5 s" in said
    assert "      recorded: 37.50 Pa applied; input 37.60 Pa, error +0.08 % of span: pass" in said


def test_a_number_is_what_the_reference_shows() -> None:
    _, _, told = run(check(), Fake(check(applied=True), DONE), "37,52", "a remark")
    assert told[0] == ("applied", {"person": "Ada", "step": "s1", "shown": {"p1": 37.52}})
    assert told[-1] == ("finish", {"person": "Ada", "reason": "a remark"})


def test_what_the_reference_shows_may_be_in_another_unit() -> None:
    _, _, told = run(check(), Fake(check(applied=True), DONE), "0.15 inH2O", "")
    assert told[0] == ("applied", {"person": "Ada", "step": "s1", "shown": {"p1": 37.3633365}})
    assert pressure("0,5", "Pa") == 0.5
    assert pressure("-1e1 Pa", "kPa") == -0.01
    assert [pressure(text, "Pa") for text in ("3 apples", "s", "", "1 2", "nan")] == [None] * 5


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("t draught", ("take", {"reason": "draught"})),
        ("s no vacuum pump", ("skip", {"step": "s1", "reason": "no vacuum pump"})),
        ("s", ("skip", {"step": "s1", "reason": "left out"})),
        ("r", ("repeat", {"step": "s0", "reason": "read again"})),
        ("r s9", ("repeat", {"step": "s9", "reason": "read again"})),
        ("n tube was wet", ("note", {"text": "tube was wet"})),
    ],
)
def test_commands(typed: str, told: tuple[str, Body]) -> None:
    first = check(read=[read("s0")])
    _, _, seen = run(first, Fake(DONE), typed, "")
    assert seen[0] == (told[0], {"person": "Ada", **told[1]})


def test_anything_else_is_explained() -> None:
    _, said, _ = run(check(), Fake(check(applied=True), DONE), "what", "", "")
    assert any("take the reading as it is" in line for line in said)


def test_pausing_and_abandoning_end_it() -> None:
    record, said, told = run(check(), Fake(check(paused="lunch")), "p lunch")
    assert record is None
    assert told == [("pause", {"person": "Ada", "reason": "lunch"})]
    assert said[-1] == "paused; go on with: loopwitness loopcheck --resume stair-1"
    record, _, told = run(check(), Fake(check()), "x called away")
    assert (record, told[0][0]) == (None, "abandon")


def test_a_closed_terminal_pauses() -> None:
    record, _, told = run(check(), Fake(check(paused="x")))
    assert record is None
    assert told == [("pause", {"person": "Ada", "reason": "the terminal was closed"})]


class CtrlC(Keys):
    """Pressed while the person is asked."""

    def line(self, seconds: float | None = None) -> str | None:
        raise KeyboardInterrupt(seconds)


def test_ctrl_c_pauses() -> None:
    gateway = Fake(check(paused="Ctrl-C"))
    with pytest.raises(KeyboardInterrupt):
        run(check(), gateway, keys=CtrlC())
    assert gateway.told == [("pause", {"person": "Ada", "reason": "Ctrl-C"})]


def test_adjusted_or_not() -> None:
    summary = {"transducer": "p1", "part": "as found", "source": "input", "verdict": "fail",
               "worst": 2.1, "tolerance": 2.0, "adjust": True, "zero": 2.0, "span": 0.1,
               "range_low": -27.5, "range_high": 97.4, "unit": "Pa",
               "advice": "adjust zero and span, or enter a range of -27.5 to 97.4 Pa"}  # fmt: skip
    deciding = check(task="decide", step="", asked="Adjusted?", summaries=[summary])
    _, said, told = run(deciding, Fake(DONE), "", "")
    assert told[0] == ("decide", {"person": "Ada", "transducer": "p1", "adjusted": False})
    assert any("enter a range of -27.5 to 97.4 Pa" in line for line in said)
    _, _, told = run(deciding, Fake(DONE), "a zero turned", "")
    assert told[0][1] == {
        "person": "Ada", "transducer": "p1", "adjusted": True, "notes": "zero turned",
    }  # fmt: skip


def test_what_is_refused_is_said_and_nothing_is_lost() -> None:
    no = GatewayError("check: not what is due; allowed: s2", 409)
    _, said, _ = run(check(), Fake(no, check(applied=True), DONE), "", "")
    assert "      not done: check: not what is due; allowed: s2" in said


def test_a_gateway_that_is_away_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "AGAIN_S", 0.0)
    away = GatewayError("no answer from the gateway")
    back = check(paused="the gateway was started anew")
    record, said, told = run(
        check(), Fake(check(applied=True), away, away, back, check(), check(applied=True), DONE),
        "", "", "", "",
    )  # fmt: skip
    assert record == RECORD
    assert "paused: the gateway was started anew. Enter goes on" in said
    assert [what for what, _ in told] == ["applied", "resume", "applied", "finish"]


GONE = GatewayError("check: stair-1; allowed: none is open", 404)


def test_a_finish_of_which_nobody_heard_still_gives_the_record() -> None:
    """The answer was lost on the way: the check is over, and its record is there."""

    class Finished(Fake):
        def get(self, *path: str) -> Any:
            listed = {
                "records": [{"name": "stair-0", "number": 2}, {"name": "stair-1", "number": 3}]
            }
            return listed if path == ("checks", "records") else super().get(*path)

        def post(self, body: Any, *path: str) -> Any:
            self.told.append((path[-1], dict(body)))
            raise GatewayError("no answer from the gateway (timed out)")

    record, said, told = run(DONE, Finished(GONE), "")
    assert record == RECORD
    assert [what for what, _ in told] == ["finish"]
    assert said[-2:] == ["      not done: no answer from the gateway (timed out)",
                         "stair-1 is finished"]  # fmt: skip


def test_a_check_abandoned_elsewhere_ends_here_too() -> None:
    class Nothing(Fake):
        def get(self, *path: str) -> Any:
            return {"records": []} if path == ("checks", "records") else super().get(*path)

    record, said, _ = run(check(), Nothing(check(applied=True), GONE), "")
    assert record is None
    assert said[-1] == "stair-1 is not open any more: it was abandoned elsewhere, without a record"


def test_going_on_with_a_paused_check_resumes_it() -> None:
    _, _, told = run(check(paused="lunch"), Fake(check(), check(applied=True), DONE), "", "")
    assert [what for what, _ in told] == ["resume", "applied", "finish"]


def test_a_changed_record_is_told_with_it() -> None:
    broken = ["record 3: changed after it was made", "record 4: does not follow the one before"]
    assert tampered(3, broken[:1]) == [
        "  ! record 3: changed after it was made: it is no proof of anything"
    ]
    assert tampered(4, broken)[1] == (
        "  ! the chain of records is broken elsewhere; see: loopwitness record"
    )
    assert tampered(5, []) == []


def test_lines_come_one_by_one_and_without_waiting() -> None:
    reading, writing = os.pipe()
    keys = Keys(reading)
    assert keys.line(0.01) is None
    os.write(writing, b"one\ntwo\nthr")
    assert (keys.line(), keys.line(), keys.line(0.01)) == ("one", "two", None)
    os.write(writing, b"ee")
    os.close(writing)
    assert (keys.line(), keys.line(), keys.ended) == ("three", None, True)
    os.close(reading)
