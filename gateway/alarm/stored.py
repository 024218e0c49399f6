"""What comes back after a crash as plain text and numbers, so that a start need not read years."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from math import inf
from typing import Any

from .memory import Hold, Memory, Stored
from .states import State

FORM = 1
"""Raise it when `memory.applied` comes to mean something else: what was stored is then made anew
from the transitions."""


def to_dict(stored: Stored) -> dict[str, Any]:
    """Ready for JSON."""
    time, order = stored.last
    return {
        "form": FORM,
        "alarms": {alarm: _words(memory) for alarm, memory in stored.alarms.items()},
        "recent": [list(one) for one in stored.recent],
        "last": None if time == -inf else [time, order],
    }


def from_dict(body: Mapping[str, Any]) -> Stored:
    """What `to_dict` was given; ValueError for what another version wrote."""
    if body.get("form") != FORM:
        raise ValueError(f"form {body.get('form')}; allowed: {FORM}")
    last = body["last"]
    return Stored(
        {alarm: _memory(words) for alarm, words in body["alarms"].items()},
        tuple((float(time), str(alarm)) for time, alarm in body["recent"]),
        Stored().last if last is None else (float(last[0]), int(last[1])),
    )


def _words(memory: Memory) -> dict[str, Any]:
    holds = {
        name: None if (hold := getattr(memory, name)) is None else vars(hold)
        for name in ("shelf", "service")
    }
    return {**vars(memory), **holds, "state": memory.state.value}


def _memory(words: Mapping[str, Any]) -> Memory:
    if set(words) != {field.name for field in fields(Memory)}:
        raise ValueError(f"fields {', '.join(sorted(words))}: not of an alarm's memory")
    holds = {
        name: None if words[name] is None else Hold(**words[name]) for name in ("shelf", "service")
    }
    return Memory(**{**words, **holds, "state": State(words["state"])})
