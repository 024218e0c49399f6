"""A gateway that answers from a list, and what it answers."""

from __future__ import annotations

from typing import Any

from gateway.terminal.client import Gateway, GatewayError

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
