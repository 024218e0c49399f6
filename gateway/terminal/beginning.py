"""How a check begins on the terminal: what is not given is asked for, cautions come first."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from gateway.errors import LoopwitnessError

from .client import Gateway, GatewayError
from .patience import patiently

SCHEMES = {"five": "five points", "three": "three points", "one": "one point", "zero": "zero"}


PATIENCE_S = 120.0
"""Longest wait for a gateway that is starting: history of years is opened in less."""


class AnswerError(LoopwitnessError):
    """An answer or an option that cannot be used."""

    exit_code = 2


def resumed(gateway: Gateway, name: str, say: Callable[[str], None]) -> dict[str, Any]:
    """An open check; AnswerError, naming those that are open, when it is none."""
    try:
        found: dict[str, Any] = patiently(
            lambda: gateway.get("checks", "open", name), say, PATIENCE_S
        )
    except GatewayError as error:
        if error.status == 404:
            raise AnswerError(str(error)) from None
        raise
    gateway.must_let_act()
    return found


def begun(
    gateway: Gateway,
    loop: str,
    person: str,
    asked: Mapping[str, Any],
    ask: Callable[[str], str],
    say: Callable[[str], None],
    *,
    yes: bool,
) -> dict[str, Any]:
    """A new check, or the one that is open for this loop already.

    ask: gives the line that a person types. say: prints a line. A gateway that is still starting
    is waited for.
    """
    open_ = patiently(lambda: _open_of(gateway, loop), say, PATIENCE_S)
    gateway.must_let_act()
    if open_ is not None:
        say(f"{open_['name']} is open: going on with it")
        return open_
    try:
        # Not before the first row either, which may come later than the first answer.
        known = patiently(lambda: gateway.get("loops", loop), say, PATIENCE_S)
        cautions = gateway.get("checks", "cautions", loop)
    except GatewayError as error:
        if error.status == 404:
            raise AnswerError(str(error)) from None
        raise
    if not yes:
        _warn(cautions, ask)
    body = {
        "person": person,
        "loop": loop,
        "transducers": asked["transducers"] or [one["id"] for one in known["transducers"]],
        "scheme": _one_of(SCHEMES, "scheme", asked["scheme"]),
        "reference": _reference(asked, ask),
        "ambient": _given(asked["ambient"], ask, "Ambient, state of tubes (Enter: nothing): "),
        **{name: asked[name] for name in ("point", "cycles", "only_as_found", "combined",
                                          "hands_free", "rule")},
    }  # fmt: skip

    def begin() -> dict[str, Any]:
        # When no answer came the time before, it may have begun all the same.
        made: dict[str, Any] = _open_of(gateway, loop) or gateway.post(body, "checks")
        return made

    return patiently(begin, say, PATIENCE_S)


def _open_of(gateway: Gateway, loop: str) -> dict[str, Any] | None:
    found: list[dict[str, Any]] = gateway.get("checks")["open"]
    return next((one for one in found if one["loop"] == loop), None)


def _warn(cautions: list[str], ask: Callable[[str], str]) -> None:
    text = "\n".join(["Before anything is touched:", *(f"  - {one}" for one in cautions)])
    if ask(f"{text}\nRead, and arranged for? Type yes: ").casefold() not in ("yes", "y"):
        raise AnswerError("nothing was begun; allowed: yes, once it is arranged for")


def _reference(asked: Mapping[str, Any], ask: Callable[[str], str]) -> dict[str, Any]:
    identity = _given(asked["reference"], ask, "Reference (kind, number): ")
    certificate = _given(asked["certificate"], ask, "Its certificate (number, date, laboratory): ")
    text = _given(
        asked["uncertainty"], ask,
        "Its expanded uncertainty with unit, such as 0.1 Pa (Enter: not stated): ",
    )  # fmt: skip
    found: dict[str, Any] = {"identity": identity, "certificate": certificate}
    return found | uncertainty(text)


def uncertainty(text: str) -> dict[str, Any]:
    """A value and its unit; nothing of nothing. AnswerError for anything else."""
    if not text.strip():
        return {}
    found = re.fullmatch(r"\s*([0-9]+(?:[.,][0-9]+)?(?:[eE][-+]?[0-9]+)?)\s*([A-Za-z]\S*)\s*", text)
    if found is None:
        raise AnswerError(f"uncertainty: {text!r}; allowed: a number and a unit, such as 0.1 Pa")
    return {"expanded": float(found[1].replace(",", ".")), "unit": found[2]}


def _given(value: str | None, ask: Callable[[str], str], text: str) -> str:
    return ask(text) if value is None else value


def _one_of(known: Mapping[str, str], name: str, value: str) -> str:
    if value not in known:
        raise AnswerError(f"{name}: {value!r}; allowed: {', '.join(known)}")
    return known[value]
