"""Names and numbers of ASHRAE 135 that the BACnet side uses.

The numbers were read out of two independent libraries; a test compares them with one of those.
"""

from __future__ import annotations

from enum import IntEnum


class EventState(IntEnum):
    """What Event_State can be here."""

    NORMAL = 0
    FAULT = 1
    OFFNORMAL = 2
    HIGH_LIMIT = 3
    LOW_LIMIT = 4


class Transition(IntEnum):
    """Position in Acked_Transitions, Event_Enable, Event_Time_Stamps and Priority."""

    TO_OFFNORMAL = 0
    TO_FAULT = 1
    TO_NORMAL = 2


TRANSITION_TO: dict[EventState, Transition] = {
    EventState.NORMAL: Transition.TO_NORMAL,
    EventState.FAULT: Transition.TO_FAULT,
    EventState.OFFNORMAL: Transition.TO_OFFNORMAL,
    EventState.HIGH_LIMIT: Transition.TO_OFFNORMAL,
    EventState.LOW_LIMIT: Transition.TO_OFFNORMAL,
}


class EventType(IntEnum):
    """The two algorithms behind our events."""

    OUT_OF_RANGE = 5
    CHANGE_OF_RELIABILITY = 19


class NotifyType(IntEnum):
    """What a notification is."""

    ALARM = 0
    ACK_NOTIFICATION = 2


RELIABILITY: dict[str, int] = {
    "no-fault-detected": 0,
    "no-sensor": 1,
    "over-range": 2,
    "under-range": 3,
    "open-loop": 4,
    "shorted-loop": 5,
    "unreliable-other": 7,
    "process-error": 8,
    "configuration-error": 10,
    "communication-failure": 12,
}
"""Names as the catalogue of faults gives them."""
RELIABLE = RELIABILITY["no-fault-detected"]
UNRELIABLE = RELIABILITY["unreliable-other"]
UNREACHED = RELIABILITY["communication-failure"]

UNITS: dict[str, int] = {
    "Pa": 53, "hPa": 133, "kPa": 54, "mbar": 134, "bar": 55, "psi": 56,
    "inH2O": 58, "inH2O_4C": 58, "inH2O_60F": 58, "mmH2O": 206, "cmH2O": 57,
    "mmHg": 59, "inHg": 61,
    "%": 98, "Hz": 27, "rpm": 104, "mA": 2, "V": 5, "s": 73, "degC": 62, "counts": 95, "": 95,
}  # fmt: skip
"""Units of the site file -> engineering units."""

INCHES: dict[str, str] = {
    "inH2O": "conventional inch of water, 249.08891 Pa",
    "inH2O_4C": "inch of water at 4 degC, 249.082 Pa",
    "inH2O_60F": "inch of water at 60 degF, 248.84 Pa",
}
"""There is one number for all inches of water: which it is stands in the description."""
