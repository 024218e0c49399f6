"""A loop check in a plant room: asks, waits, says what was read, until there is a record.

Everything that counts happens in the gateway: this end may be closed at any time.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from . import words
from .client import Gateway, GatewayError
from .keys import Keys
from .patience import patiently
from .screen import Screen

LOOK_S = 0.5
"""Seconds between two looks while a reading is awaited."""

Check = dict[str, Any]


class Paused(Exception):  # noqa: N818 - no error: the person wants a rest
    """The check was paused, or abandoned; nothing more to ask."""


class Over(Exception):  # noqa: N818 - no error: somebody else has ended it
    """The check is not open any more."""


class Session:
    """One check, as one person goes through it."""

    def __init__(
        self, gateway: Gateway, check: Check, person: str, keys: Keys, screen: Screen
    ) -> None:
        self._gateway, self._person, self._keys = gateway, person, keys
        self._say, self._show = screen.say, screen.show
        self.check = check

    def run(self) -> dict[str, Any] | None:
        """To the end; the record, None when it was paused or abandoned."""
        try:
            if self.check["paused"]:
                self._do("resume")
            while True:
                task = self.check["task"]
                if self.check["paused"]:
                    self._go_on()
                elif task == "measure":
                    self._measure()
                elif task == "decide":
                    self._decide()
                elif (record := self._conclude()) is not None:
                    return record
        except Paused:
            return None
        except Over:
            return self._record()
        except KeyboardInterrupt:
            self._say("")
            with suppress(GatewayError, Over):
                self._do("pause", reason="Ctrl-C")
            self._say(self._way_back())
            raise

    def _way_back(self) -> str:
        return f"paused; go on with: loopwitness loopcheck --resume {self.check['name']}"

    def _go_on(self) -> None:
        """Somebody, or a new start of the gateway, has paused it meanwhile."""
        self._say(f"paused: {self.check['paused']}. Enter goes on")
        line = self._line(None)
        if line:
            self._command(line)
        else:
            self._do("resume")

    def _measure(self) -> None:
        step = self.check["step"]
        self._say(words.headline(self.check))
        while self._due(step) and not self.check["applied"]:
            line = self._line(LOOK_S if self.check["plan"]["hands_free"] else None)
            if line is None:
                self._look()
            elif line == "" or words.pressure(line, self._unit()) is not None:
                self._applied(step, words.pressure(line, self._unit()))
            else:
                self._command(line)
        shown = ""
        while self._due(step) and self.check["applied"]:
            now = words.waiting(self.check)
            if now != shown:
                self._show(now)
                shown = now
            if typed := self._line(LOOK_S):
                self._command(typed)
            self._look()
        if said := words.taken(self.check, step):
            self._say(said)

    def _unit(self) -> str:
        """Of the transducer whose pressure is asked for."""
        mine = (one for one in self.check["inputs"] if one["id"] == self.check["transducer"])
        return next((str(one["unit"]) for one in mine), "")

    def _due(self, step: str) -> bool:
        return self.check["step"] == step and not self.check["paused"]

    def _applied(self, step: str, shown: float | None) -> None:
        driven = self.check["transducer"]
        if shown is not None and not driven:
            self._say("      several inputs: press Enter alone")
            return
        self._do("applied", step=step, shown={} if shown is None else {driven: shown})

    def _decide(self) -> None:
        for told in words.summary(self.check):
            self._say(told)
        self._say(f"[{self.check['done']}/{self.check['steps']}] {self.check['asked']}")
        self._say("      Enter: no adjustment made; a and what was done: adjusted, read it again")
        line = self._line(None)
        if line == "":
            self._do("decide", transducer=self.check["transducer"], adjusted=False)
        elif line is not None and line.split()[0] == "a":
            notes = line[1:].strip()
            self._do("decide", transducer=self.check["transducer"], adjusted=True, notes=notes)
        elif line is not None:
            self._command(line)

    def _conclude(self) -> dict[str, Any] | None:
        for one in self.check["mistakes"]:
            self._say(f"  ! {one['words']}")
        self._say(self.check["asked"])
        self._say("      Enter, or a remark for the record: finish")
        line = self._line(None)
        if line is not None and (line == "?" or line.split(" ")[0] in COMMANDS):
            self._command(line)
            return None
        body = {"person": self._person, "reason": line or ""}
        try:
            end = self._gateway.post(body, "checks", "open", self.check["name"], "finish")
        except GatewayError as error:
            self._refused(error)
            self._look()
            return None
        return self._numbered(end["record"])

    def _record(self) -> dict[str, Any] | None:
        """Of a check that is over though this end did not hear of it; None: it was abandoned."""
        name = self.check["name"]
        listed = patiently(lambda: self._gateway.get("checks", "records"), self._say)
        number = next((one["number"] for one in listed["records"] if one["name"] == name), None)
        if number is None:
            self._say(f"{name} is not open any more: it was abandoned elsewhere, without a record")
            return None
        self._say(f"{name} is finished")
        return self._numbered(number)

    def _numbered(self, number: int) -> dict[str, Any]:
        found: dict[str, Any] = patiently(
            lambda: self._gateway.get("checks", "records", str(number)), self._say
        )
        return found

    def _command(self, line: str) -> None:
        """One of `words.HELP`; anything else is explained."""
        word, _, rest = line.partition(" ")
        step, rest = self.check["step"], rest.strip()
        match word:
            case "t":
                self._do("take", reason=rest)
            case "s":
                self._do("skip", step=step, reason=rest or "left out")
            case "r":
                read = [one["step"] for one in self.check["read"]]
                self._do("repeat", step=rest or (read[-1] if read else step), reason="read again")
            case "n" if rest:
                self._do("note", text=rest)
                self._say("      the remark is kept")
            case "p":
                self._do("pause", reason=rest)
                self._say(self._way_back())
                raise Paused
            case "x" if rest:
                self._abandon(rest)
            case _:
                self._say(words.HELP)

    def _line(self, seconds: float | None) -> str | None:
        line = self._keys.line(seconds)
        if line is None and self._keys.ended:
            self._do("pause", reason="the terminal was closed")
            raise Paused
        return line

    def _abandon(self, reason: str) -> None:
        body = {"person": self._person, "reason": reason}
        try:
            self._gateway.post(body, "checks", "open", self.check["name"], "abandon")
        except GatewayError as error:
            self._refused(error)
            self._look()
        else:
            self._say("abandoned, without a record")
            raise Paused

    def _look(self) -> None:
        """How it stands; a gateway that does not answer is waited for, it may be starting anew."""
        name = self.check["name"]
        try:
            self.check = patiently(lambda: self._gateway.get("checks", "open", name), self._say)
        except GatewayError as error:
            if error.status == GONE:
                raise Over from None
            raise

    def _do(self, what: str, **about: Any) -> None:
        """Tell the gateway; what it refuses is shown, and the check stays as it was."""
        body = {"person": self._person, **about}
        try:
            self.check = self._gateway.post(body, "checks", "open", self.check["name"], what)
        except GatewayError as error:
            self._refused(error)
            self._look()

    def _refused(self, error: GatewayError) -> None:
        if error.status == GONE:
            raise Over
        self._say(f"      not done: {error}")


GONE = 404
COMMANDS = ("t", "s", "r", "n", "p", "x")
