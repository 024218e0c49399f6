"""What one poll of one controller brought: a value or a reason for each of its points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gateway.live import LinkState
from gateway.measure.blocks import Codes, Floats
from gateway.measure.quality import Reason


@dataclass(frozen=True)
class Scan:
    """One poll; P points of the controller, in file order.

    `time`: seconds since 1970 UTC when it ended. `values`: (P,) decoded values, NaN where there
    is none. `reasons`: (P,) `Reason` codes: NONE with a value, else NO_COMMUNICATION, BAD_REPLY
    or INVALID_VALUE. `link`: how the controller answers, this poll included.
    """

    controller: str
    time: float
    values: Floats
    reasons: Codes
    link: LinkState


def worst(reasons: Codes) -> Reason:
    """The worst thing that happened between us and the controller: NONE when all was answered."""
    for reason in (Reason.NO_COMMUNICATION, Reason.BAD_REPLY):
        if np.any(reasons == reason):
            return reason
    return Reason.NONE
