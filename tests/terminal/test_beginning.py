"""How a check begins on the terminal: what is asked, and what is waited for."""

from __future__ import annotations

from typing import Any

import pytest

from gateway.terminal import beginning, patience
from gateway.terminal.beginning import AnswerError, begun, resumed, uncertainty
from gateway.terminal.client import GatewayError

from .fake import Body, Fake, check


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
