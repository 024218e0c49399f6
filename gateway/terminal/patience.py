"""A gateway that is not ready yet, or away, is waited for; that is said once."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

from .client import GatewayError

T = TypeVar("T")

AGAIN_S = 2.0
"""Seconds between two tries."""
NOT_YET = (0, 503)
"""No answer at all; or the gateway says itself that it cannot yet."""


def patiently(ask: Callable[[], T], say: Callable[[str], None], seconds: float = float("inf")) -> T:
    """What `ask` gives, once it gives something.

    Asked again as long as the gateway does not answer or cannot yet, up to `seconds`; then its
    GatewayError is raised, and any other at once. `ask` must be fit to be done twice.
    """
    until, told = time.monotonic() + seconds, False
    while True:
        try:
            return ask()
        except GatewayError as error:
            if error.status not in NOT_YET or time.monotonic() + AGAIN_S > until:
                raise
            if not told:
                limit = "" if seconds == float("inf") else f" for up to {seconds:g} s"
                say(f"      {error}")
                say(f"      it is asked again and again{limit}; Ctrl-C leaves")
                told = True
        time.sleep(AGAIN_S)
