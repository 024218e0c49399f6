"""The table of states and events against the published transitions, cell by cell."""

from __future__ import annotations

import pytest

from gateway.alarm.memory import BLANK, Hold, Memory, applied, deserved
from gateway.alarm.states import LETTERS, TABLE, Cell, Event, State, table_rows
from gateway.alarm.transition import Priority, Transition, from_body, to_body

LETTER = {letter: state for state, letter in LETTERS.items()}

# ISA-18.2 / IEC 62682 states (from memory; the names agree with secondary texts and OPC UA Part 9).
NAMES = {
    "A": "normal",
    "B": "active unacknowledged",
    "C": "active acknowledged",
    "D": "returned unacknowledged",
    "E": "latched unacknowledged",
    "F": "latched acknowledged",
    "G": "shelved",
    "H": "suppressed by design",
    "I": "out of service",
}
# Transitions of the same standards (from memory): from, event, to, whether the alarm latches.
PUBLISHED = [
    ("A", Event.ALARM, "B", False), ("A", Event.ALARM, "B", True),
    ("B", Event.ACKNOWLEDGE, "C", False),
    ("B", Event.RETURN, "D", False), ("B", Event.RETURN, "E", True),
    ("C", Event.RETURN, "A", False), ("C", Event.RETURN, "F", True),
    ("D", Event.ACKNOWLEDGE, "A", False), ("D", Event.ALARM, "B", False),
    ("E", Event.ACKNOWLEDGE, "F", True), ("E", Event.ALARM, "B", True),
    ("F", Event.RESET, "A", True), ("F", Event.ALARM, "B", True),
]  # fmt: skip


def destination(letter: str, event: Event, *, latching: bool) -> str | None:
    cell = TABLE[LETTER[letter], event]
    to = cell.latching if latching and cell.latching else cell.to
    return LETTERS[to] if to else None


def test_states_have_their_names_and_letters() -> None:
    assert {LETTERS[state]: state.value for state in State} == NAMES


@pytest.mark.parametrize(("before", "event", "after", "latching"), PUBLISHED)
def test_published_transitions(before: str, event: Event, after: str, latching: bool) -> None:  # noqa: FBT001 - a row of the table
    assert destination(before, event, latching=latching) == after


@pytest.mark.parametrize("before", "ABCDEF")
@pytest.mark.parametrize(
    ("event", "after"), [(Event.SHELVE, "G"), (Event.SUPPRESS, "H"), (Event.REMOVE, "I")]
)
def test_anything_may_be_shelved_suppressed_or_taken_out(
    before: str, event: Event, after: str
) -> None:
    assert destination(before, event, latching=False) == after


@pytest.mark.parametrize(
    ("state", "event"),
    [("G", Event.UNSHELVE), ("H", Event.RELEASE), ("I", Event.RESTORE)],
)
def test_coming_back_leads_to_what_the_condition_deserves(state: str, event: Event) -> None:
    assert TABLE[LETTER[state], event] == Cell(deserved=True)


@pytest.mark.parametrize("event", [Event.ALARM, Event.RETURN])
@pytest.mark.parametrize("state", "GHI")
def test_behind_a_hidden_alarm_the_condition_goes_on(state: str, event: Event) -> None:
    assert destination(state, event, latching=False) == state


def test_out_of_service_lies_over_shelved_and_shelved_over_suppressed() -> None:
    assert destination("G", Event.SUPPRESS, latching=False) == "G"
    assert destination("H", Event.SHELVE, latching=False) == "G"
    assert destination("I", Event.SUPPRESS, latching=False) == "I"
    assert TABLE[LETTER["I"], Event.SHELVE].refused


@pytest.mark.parametrize("state", State)
@pytest.mark.parametrize("event", Event)
def test_every_cell_says_exactly_one_thing(state: State, event: Event) -> None:
    cell = TABLE[state, event]
    assert [cell.to is not None, cell.deserved, bool(cell.refused)].count(True) == 1


# Every cell in letters; "x" refused, "*" deserved: what somebody would have to change on purpose.
@pytest.mark.parametrize(
    ("event", "cells"),
    [
        (Event.ALARM, "BxxBBBGHI"),
        (Event.RETURN, "xDAxxxGHI"),
        (Event.ACKNOWLEDGE, "xCxAFxxxx"),
        (Event.RESET, "xxxxxAxxx"),
        (Event.SHELVE, "GGGGGGGGx"),
        (Event.UNSHELVE, "xxxxxx*xI"),
        (Event.SUPPRESS, "HHHHHHGHI"),
        (Event.RELEASE, "xxxxxxG*I"),
        (Event.REMOVE, "IIIIIIIII"),
        (Event.RESTORE, "xxxxxxxx*"),
    ],
)
def test_the_whole_table(event: Event, cells: str) -> None:
    found = ""
    for state in State:
        cell = TABLE[state, event]
        found += "x" if cell.refused else "*" if cell.deserved else LETTERS[cell.to or state]
    assert found == cells


def test_the_table_can_be_shown() -> None:
    rows = table_rows()
    assert len(rows) == len(State) * len(Event) == 90
    assert ("A", "normal", "alarm", "B active unacknowledged") in rows
    latches = "D returned unacknowledged; E if it latches"
    assert ("B", "active unacknowledged", "return to normal", latches) in rows
    assert ("G", "shelved", "alarm", "stays in G") in rows
    back = "the state that the condition then deserves"
    assert ("G", "shelved", "unshelve", back) in rows
    assert ("A", "normal", "acknowledge", "refused: there is nothing to acknowledge") in rows


HOLD = Hold(0, 9, "Ada", "work")


@pytest.mark.parametrize(
    ("memory", "latching", "letter"),
    [
        (Memory(), False, "A"),
        (Memory(active=True), False, "B"),
        (Memory(active=True, acknowledged=True), False, "C"),
        (Memory(tripped=True), False, "A"),
        (Memory(tripped=True), True, "E"),
        (Memory(tripped=True, acknowledged=True), True, "F"),
        (Memory(active=True, rule="fan off"), False, "H"),
        (Memory(active=True, cause="x:y"), False, "H"),
        (Memory(active=True, cause="x:y", shelf=HOLD), False, "G"),
        (Memory(active=True, rule="fan off", shelf=HOLD, service=HOLD), False, "I"),
    ],
)
def test_what_a_condition_deserves(memory: Memory, latching: bool, letter: str) -> None:  # noqa: FBT001 - a row of the table
    assert LETTERS[deserved(memory, latching=latching)] == letter


def transition(event: Event, before: str, after: str, **more: object) -> Transition:
    words: dict[str, object] = {
        "time": 10.5, "order": 3, "alarm": "open-circuit:p1", "fault": "open-circuit",
        "kind": "transducer", "subject": "p1", "event": event, "before": LETTER[before],
        "after": LETTER[after], "priority": Priority.HIGH, "message": "Open circuit",
    }  # fmt: skip
    return Transition(**(words | more))  # type: ignore[arg-type]  # built by name


def test_an_alarm_at_rest_leaves_nothing_behind() -> None:
    memory = applied(BLANK, transition(Event.ALARM, "A", "B"))
    memory = applied(memory, transition(Event.ACKNOWLEDGE, "B", "C", actor="Ada"))
    assert memory.acknowledged
    assert memory.onset == 10.5
    assert applied(memory, transition(Event.RETURN, "C", "A")) is BLANK


def test_a_transition_goes_through_a_plain_dict() -> None:
    original = transition(
        Event.SHELVE, "B", "G", actor="Ada", reason="new cable tomorrow", until=99.25, cause="a:b",
        finding="open-circuit:p1:10500",
    )  # fmt: skip
    body = to_body(original)
    assert from_body(body) == original
    assert all(type(value) in (str, int, float, type(None)) for value in body.values())


def test_a_strange_dict_is_no_transition() -> None:
    body = to_body(transition(Event.ALARM, "A", "B"))
    with pytest.raises(ValueError, match="colour"):
        from_body(body | {"colour": "red"})
    with pytest.raises(ValueError, match="asleep"):
        from_body(body | {"after": "asleep"})
    with pytest.raises(KeyError):
        from_body({"event": "alarm"})
