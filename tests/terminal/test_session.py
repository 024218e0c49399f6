"""What is typed becomes what the gateway is told; what it answers becomes lines."""

from __future__ import annotations

import os
from typing import Any

import pytest

from gateway.terminal import beginning, patience
from gateway.terminal.beginning import AnswerError, begun, resumed, uncertainty
from gateway.terminal.client import Gateway, GatewayError
from gateway.terminal.keys import Keys
from gateway.terminal.screen import Screen
from gateway.terminal.session import Session
from gateway.terminal.words import pressure, tampered

Body = dict[str, Any]


def check(**changes: Any) -> Body:
    """An open check as the gateway shows it."""
    one: Body = {
        "id": "p1", "unit": "Pa", "places": 2, "pressure": 37.6, "percent": 50.1, "counts": 15000.0,
        "electrical": 12.0, "electrical_unit": "mA", "controller_value": 37.6, "bad": "",
    }  # fmt: skip
    base: Body = {
        "name": "stair-1", "loop": "stair", "unit": "Pa", "plan": {"hands_free": False},
        "person": "Ada", "begun": "2026-06-01", "paused": None, "task": "measure",
        "step": "s1", "transducer": "p1", "asked": "p1: apply 37.5 Pa.", "applied": False,
        "apply": {"p1": 37.5}, "why": "waits", "look": False, "trouble": "", "done": 0, "steps": 2,
        "inputs": [one], "read": [], "summaries": [], "mistakes": [],
    }  # fmt: skip
    return base | changes


def read(step: str, **changes: Any) -> Body:
    told = {"shown": 37.6, "error": 0.08, "ends": False, "beyond": None, "verdict": "pass"}
    base: Body = {"step": step, "part": "as found", "transducer": "p1", "point": 50.0,
                  "direction": "up", "unit": "Pa", "places": 2, "applied": 37.5, "input": told,
                  "controller": None, "forced": "", "skipped": ""}  # fmt: skip
    return base | changes


DONE = check(task="conclude", step="", asked="Everything is read.", done=2, read=[read("s1")])
RECORD: Body = {"number": 3, "verdict": "pass", "as_found_verdict": "fail", "mistakes": [],
                "look_back": [], "hash": "abc"}  # fmt: skip


class Fake(Gateway):
    """Answers from a list, and keeps what it was told."""

    def __init__(self, *answers: Body | GatewayError) -> None:
        super().__init__("http://127.0.0.1:1", lambda: "t")
        self.answers, self.told = list(answers), list[tuple[str, Body]]()

    def get(self, *path: str) -> Any:
        return RECORD if path[:2] == ("checks", "records") else self._next()

    def post(self, body: Any, *path: str) -> Any:
        self.told.append((path[-1], dict(body)))
        return {"name": "stair-1", "record": 3} if path[-1] == "finish" else self._next()

    def _next(self) -> Body:
        answer = self.answers.pop(0)
        if isinstance(answer, GatewayError):
            raise answer
        return answer


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


@pytest.mark.parametrize(
    ("text", "found"),
    [("0.1 Pa", {"expanded": 0.1, "unit": "Pa"}), ("0,002 inH2O", {"expanded": 0.002,
     "unit": "inH2O"}), ("1e-3bar", {"expanded": 0.001, "unit": "bar"}), ("  ", {})],
)  # fmt: skip
def test_uncertainties(text: str, found: Body) -> None:
    assert uncertainty(text) == found


def test_an_uncertainty_without_unit_is_refused() -> None:
    with pytest.raises(AnswerError, match="a number and a unit"):
        uncertainty("0.1")


ASKED: Body = {
    "transducers": None, "scheme": "three", "point": 50.0, "cycles": 1, "only_as_found": False,
    "combined": True, "hands_free": False, "rule": "by ratio", "reference": None,
    "certificate": "C-1", "uncertainty": "0.1 Pa", "ambient": None,
}  # fmt: skip


class Building(Fake):
    """A gateway where nothing is open yet."""

    def get(self, *path: str) -> Any:
        match path:
            case ("checks",):
                return {"open": [], "cautions": []}
            case ("loops", _):
                return {"transducers": [{"id": "p1"}, {"id": "p2"}]}
            case _:
                return ["A smoke-control loop is life safety."]


def test_cautions_come_first_and_what_is_not_given_is_asked_for() -> None:
    asked: list[str] = []
    answers = iter(["yes", "Calibrator 7", "21 degC"])

    def ask(text: str) -> str:
        asked.append(text)
        return next(answers)

    gateway = Building(check())
    begun(gateway, "stair", "Ada", ASKED, ask, print, yes=False)
    assert "life safety" in asked[0]
    ((what, body),) = gateway.told
    assert what == "checks"
    assert body["transducers"] == ["p1", "p2"]
    assert body["scheme"] == "three points"
    assert body["reference"] == {
        "identity": "Calibrator 7", "certificate": "C-1", "expanded": 0.1, "unit": "Pa",
    }  # fmt: skip
    assert body["ambient"] == "21 degC"


class Starting(Building):
    """A gateway that first does not answer, then does not know yet, then loses an answer."""

    def __init__(self, *troubles: GatewayError) -> None:
        super().__init__()
        self.troubles = list(troubles)
        self.asked = 0

    def get(self, *path: str) -> Any:
        if path == ("checks",):
            self.asked += 1
            if self.troubles:
                raise self.troubles.pop(0)
            return {"open": [check()] if self.told else []}
        return super().get(*path)

    def post(self, body: Any, *path: str) -> Any:
        self.told.append((path[-1], dict(body)))
        raise GatewayError("no answer from the gateway (timed out)")


def test_a_gateway_that_is_starting_is_waited_for_and_begins_once(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(patience, "AGAIN_S", 0.0)
    said: list[str] = []
    gateway = Starting(
        GatewayError("no answer from the gateway (refused)"),
        GatewayError("checks: what was open before is not read yet; allowed: a little later", 503),
    )
    made = begun(gateway, "stair", "Ada", ASKED, lambda _: "", said.append, yes=True)
    assert made["name"] == "stair-1"
    assert len(gateway.told) == 1, "what was begun though its answer was lost is not begun again"
    assert said[0] == "      no answer from the gateway (refused)"
    assert "again and again for up to 120 s; Ctrl-C leaves" in said[1]
    assert sum("again and again" in line for line in said) == 2, "once for each wait"


def test_the_first_row_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "AGAIN_S", 0.0)
    said: list[str] = []
    none = GatewayError("rows: none yet; allowed: a later try, after the first poll", 503)

    early = [none]

    class Early(Starting):
        def get(self, *path: str) -> Any:
            if path[0] == "loops" and early:
                raise early.pop()
            return super().get(*path)

    made = begun(Early(), "stair", "Ada", ASKED, lambda _: "", said.append, yes=True)
    assert made["name"] == "stair-1"
    assert said[0] == "      rows: none yet; allowed: a later try, after the first poll"


def test_a_gateway_that_is_not_there_is_not_waited_for_without_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(beginning, "PATIENCE_S", 0.0)
    gateway = Starting(GatewayError("no answer from the gateway (refused)"))
    with pytest.raises(GatewayError, match="refused"):
        begun(gateway, "stair", "Ada", ASKED, lambda _: "", print, yes=True)
    with pytest.raises(GatewayError, match="refused"):
        resumed(Fake(GatewayError("no answer from the gateway (refused)")), "stair-1", print)


def test_what_the_gateway_refuses_is_not_asked_again() -> None:
    no = GatewayError("check: p1: stair-2 is open; allowed: go on with it", 409)
    with pytest.raises(GatewayError, match="stair-2 is open"):
        begun(Building(no), "stair", "Ada", ASKED, lambda _: "", print, yes=True)


def test_nothing_begins_without_a_yes() -> None:
    gateway = Building()
    with pytest.raises(AnswerError, match="nothing was begun"):
        begun(gateway, "stair", "Ada", ASKED, lambda _: "no", print, yes=False)
    assert gateway.told == []


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
