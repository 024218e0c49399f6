"""How far a value may be trusted, and why not further.

Quality words are those of OPC UA (good, uncertain, bad); reasons are our own short list.
Arrays carry both as uint8.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray


class Quality(IntEnum):
    """good: use it; uncertain: use it with care; bad: do not use it."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2


class Reason(IntEnum):
    """Why a value is not good. NOT_DUE is no complaint: the controller was not asked this row."""

    NONE = 0
    NOT_DUE = 1
    NOT_READ_YET = 2
    NO_COMMUNICATION = 3
    BAD_REPLY = 4
    STALE = 5
    INVALID_VALUE = 6
    FAILURE_LOW = 10
    FAILURE_HIGH = 11
    UNDEFINED_BAND = 12
    UNDER_RANGE = 13
    OVER_RANGE = 14
    INPUT_LIMIT = 15
    MEMBER = 20


QUALITY_OF: dict[Reason, Quality] = {
    Reason.NONE: Quality.GOOD,
    Reason.NOT_DUE: Quality.GOOD,
    Reason.NOT_READ_YET: Quality.BAD,
    Reason.NO_COMMUNICATION: Quality.BAD,
    Reason.BAD_REPLY: Quality.BAD,
    Reason.STALE: Quality.BAD,
    Reason.INVALID_VALUE: Quality.BAD,
    Reason.FAILURE_LOW: Quality.BAD,
    Reason.FAILURE_HIGH: Quality.BAD,
    Reason.UNDEFINED_BAND: Quality.UNCERTAIN,
    Reason.UNDER_RANGE: Quality.UNCERTAIN,
    Reason.OVER_RANGE: Quality.UNCERTAIN,
    Reason.INPUT_LIMIT: Quality.UNCERTAIN,
    Reason.MEMBER: Quality.UNCERTAIN,
}

WORDS: dict[Reason, str] = {
    Reason.NONE: "",
    Reason.NOT_DUE: "",
    Reason.NOT_READ_YET: "not read yet",
    Reason.NO_COMMUNICATION: "the controller does not answer",
    Reason.BAD_REPLY: "the controller's answer does not fit the request",
    Reason.STALE: "no new reading for too long",
    Reason.INVALID_VALUE: "the controller says it has no value",
    Reason.FAILURE_LOW: "signal below the measuring band: failure",
    Reason.FAILURE_HIGH: "signal above the measuring band: failure",
    Reason.UNDEFINED_BAND: "signal between the measuring and the failure band",
    Reason.UNDER_RANGE: "below the lower range value",
    Reason.OVER_RANGE: "above the upper range value",
    Reason.INPUT_LIMIT: "at the limit of the analog input: the true value may lie beyond",
    Reason.MEMBER: "one of its transducers is not good",
}

_TABLE = np.zeros(256, dtype=np.uint8)
for _reason, _quality in QUALITY_OF.items():
    _TABLE[_reason] = _quality


def quality_of(reasons: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Quality codes of an array of reason codes, same shape."""
    return _TABLE[reasons]
