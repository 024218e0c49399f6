"""Faults between the gateway and a controller."""

from __future__ import annotations

from gateway.diagnose.findings import Status

from .entry import Entry

LINK = (
    Entry(
        fault="no-communication",
        kind="controller",
        group="link",
        title="The controller does not answer",
        signature="No answer, or no connection, for several polls in a row.",
        separates="A wrong answer is bad-reply; an answer that never changes is stale-data.",
        needs="Nothing but the poll itself.",
        hidden_when="Never.",
        status=Status.FAILURE,
        reliability="communication-failure",
        next_check=(
            "Is the controller powered and its network lamp lit? From this machine try its "
            "address; then look for a changed address, a switch port, or another master that "
            "holds its only connection."
        ),
        expected="The controller answers a single read of one register within its usual time.",
        consequence=(
            "The loop itself may be running well: only the witness is blind. Nothing about its "
            "transducers can be said until it answers."
        ),
        rivals=("bad-reply",),
        raise_s=3.0,
        clear_s=0.0,
    ),
    Entry(
        fault="bad-reply",
        kind="controller",
        group="link",
        title="The controller's answers do not fit the questions",
        signature="Exception answers, short answers or wrong function codes, several polls long.",
        separates="The connection stands, so it is not no-communication.",
        needs="Nothing but the poll itself.",
        hidden_when="A register map that points at wrong but readable registers answers well.",
        status=Status.FAILURE,
        reliability="communication-failure",
        next_check=(
            "Compare the register map with the controller's own manual: table, address counted "
            "from 0 or 1, unit id. After a firmware change registers may have moved."
        ),
        expected="`loopwitness registers` shows the named registers as readable.",
        consequence="Values behind the refused registers are missing; the others go on.",
        rivals=("no-communication",),
        raise_s=3.0,
        clear_s=0.0,
    ),
    Entry(
        fault="stale-data",
        kind="controller",
        group="link",
        title="The controller answers, but its values stand still",
        signature=(
            "Every value of the controller is the same, digit for digit, while at least one "
            "input is away from its ends; or the heartbeat does not move."
        ),
        separates="frozen is one transducer; here all of them and the outputs stand still.",
        needs="Counts fine enough to show noise, or a heartbeat point.",
        hidden_when="All inputs rest at the end of their range (fan off, true-zero signals).",
        status=Status.FAILURE,
        reliability="communication-failure",
        next_check=(
            "Look at the controller's own display: do its values move? If so, a protocol "
            "converter or a cache between it and the gateway serves old data: restart that."
        ),
        expected="Counts change by at least one step within seconds while the fan runs.",
        consequence="What is shown may be long out of date: do not trust it.",
        rivals=("frozen",),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=("no-communication", "bad-reply"),
    ),
)
