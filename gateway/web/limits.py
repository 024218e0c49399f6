"""Loops whose pressure is beyond a limit: nothing is found wrong, and yet a person is needed."""

from __future__ import annotations

from collections.abc import Iterable

from gateway.alarm.machine import Standing


def passed(standing: Iterable[Standing]) -> dict[str, str]:
    """Loop -> which limit its gravest alarm is of, while it goes on and nobody set it aside.

    Without the value at which that began: the present one stands beside it.
    """
    said: dict[str, str] = {}
    for one in standing:
        definition, memory = one.definition, one.memory
        if definition.source == "limit" and memory.active and one.shown:
            said.setdefault(definition.subject, definition.message)
    return said
