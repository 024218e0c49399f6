"""The life of an alarm as a table: every state, every event, and where it leads.

Names and letters of states, and the transitions between A to F, follow ISA-18.2 / IEC 62682 (from
memory; the names agree with secondary texts and with OPC UA Part 9). What happens to a condition
while its alarm is hidden, and how three ways of hiding lie over each other, is our own reading of
"still evaluated and logged" and "back to the state the condition then deserves".
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from gateway.errors import LoopwitnessError


class RefusedError(LoopwitnessError):
    """What somebody wanted of an alarm cannot be; says which alarm, what, and why."""


class State(StrEnum):
    """Where an alarm stands."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "active unacknowledged"
    ACKNOWLEDGED = "active acknowledged"
    RETURNED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


LETTERS: dict[State, str] = dict(zip(State, "ABCDEFGHI", strict=True))
"""The letters under which the standards draw the states."""

HIDDEN = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})
"""Evaluated and journalled, but not shown as an alarm."""


class Event(StrEnum):
    """What can happen to an alarm."""

    ALARM = "alarm"
    RETURN = "return to normal"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    RELEASE = "release"
    REMOVE = "remove from service"
    RESTORE = "return to service"


@dataclass(frozen=True)
class Cell:
    """Where one event leads from one state; exactly one of the first three is given.

    latching: where it leads instead when the alarm latches.
    """

    to: State | None = None
    deserved: bool = False
    """To the state that the condition deserves now."""
    refused: str = ""
    """Why the event cannot happen here."""
    latching: State | None = None


_A, _B, _C, _D, _E, _F, _G, _H, _I = State
_DESERVED = Cell(deserved=True)
_NOT_ACTIVE = Cell(refused="its condition is not active")
_IS_ACTIVE = Cell(refused="its condition is active already")
_STILL_ACTIVE = Cell(refused="its condition is still active")
_NOTHING_TO_ACKNOWLEDGE = Cell(refused="there is nothing to acknowledge")
_IS_ACKNOWLEDGED = Cell(refused="it is acknowledged already")
_HIDDEN = Cell(refused="it is hidden: bring it back first, or acknowledge its cause")
_NOT_LATCHED = Cell(refused="it is not latched")
_NOT_SHELVED = Cell(refused="it is not shelved")
_NOT_SUPPRESSED = Cell(refused="it is not suppressed")
_IN_SERVICE = Cell(refused="it is not out of service")
_STAYS_OUT = Cell(refused="it is out of service already")

_CELLS: dict[Event, tuple[Cell, ...]] = {
    Event.ALARM: (
        Cell(_B), _IS_ACTIVE, _IS_ACTIVE, Cell(_B), Cell(_B), Cell(_B), Cell(_G), Cell(_H), Cell(_I)
    ),
    Event.RETURN: (
        _NOT_ACTIVE, Cell(_D, latching=_E), Cell(_A, latching=_F), _NOT_ACTIVE, _NOT_ACTIVE,
        _NOT_ACTIVE, Cell(_G), Cell(_H), Cell(_I),
    ),
    Event.ACKNOWLEDGE: (
        _NOTHING_TO_ACKNOWLEDGE, Cell(_C), _IS_ACKNOWLEDGED, Cell(_A), Cell(_F), _IS_ACKNOWLEDGED,
        _HIDDEN, _HIDDEN, _HIDDEN,
    ),
    Event.RESET: (
        _NOT_LATCHED, _STILL_ACTIVE, _STILL_ACTIVE, _NOT_LATCHED,
        Cell(refused="it is not acknowledged yet"), Cell(_A), _HIDDEN, _HIDDEN, _HIDDEN,
    ),
    Event.SHELVE: (*(Cell(_G),) * 8, _STAYS_OUT),
    Event.UNSHELVE: (*(_NOT_SHELVED,) * 6, _DESERVED, _NOT_SHELVED, Cell(_I)),
    Event.SUPPRESS: (*(Cell(_H),) * 6, Cell(_G), Cell(_H), Cell(_I)),
    Event.RELEASE: (*(_NOT_SUPPRESSED,) * 6, Cell(_G), _DESERVED, Cell(_I)),
    Event.REMOVE: (Cell(_I),) * 9,
    Event.RESTORE: (*(_IN_SERVICE,) * 8, _DESERVED),
}  # fmt: skip

TABLE: dict[tuple[State, Event], Cell] = {
    (state, event): cell
    for event, cells in _CELLS.items()
    for state, cell in zip(State, cells, strict=True)
}
"""Every (state, event). Out of service lies over shelved, shelved over suppressed by design."""


def table_rows() -> tuple[tuple[str, str, str, str], ...]:
    """(letter, state, event, outcome in words) of every cell, for the documents."""
    return tuple(
        (LETTERS[state], state.value, event.value, _words(state, TABLE[state, event]))
        for state in State
        for event in Event
    )


def _words(state: State, cell: Cell) -> str:
    if cell.refused:
        return f"refused: {cell.refused}"
    if cell.to is None:
        return "the state that the condition then deserves"
    to = f"{LETTERS[cell.to]} {cell.to}" if cell.to is not state else f"stays in {LETTERS[state]}"
    return to if cell.latching is None else f"{to}; {LETTERS[cell.latching]} if it latches"
