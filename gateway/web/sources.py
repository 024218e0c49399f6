"""What every route may reach."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated

from fastapi import Depends, Request

from gateway.checking.checks import Checks
from gateway.live import Live

from .board import Board
from .details import Details
from .door import Door
from .frame import Framing
from .moments import Moments
from .now import Now
from .overview import Overview
from .past import Past
from .reports import Reports
from .shared import Shared
from .streams import Streams


@dataclass
class Exports:
    """How many exports are under way."""

    open: int = 0


@dataclass
class Signing:
    """Passwords are looked at one by one."""

    waiting: int = 0
    turn: asyncio.Lock = field(default_factory=asyncio.Lock)


@dataclass(frozen=True)
class Sources:
    """The live state in its several shapes, its alarms, who may act, the past, what is streaming.

    clock: seconds since 1970; started: by it.
    """

    live: Live
    framing: Framing
    now: Now
    overview: Overview
    moments: Moments
    reports: Reports
    details: Details
    board: Board
    door: Door
    past: Past
    streams: Streams
    shared: Shared
    clock: Callable[[], float]
    started: float
    exports: Exports = field(default_factory=Exports)
    signing: Signing = field(default_factory=Signing)
    checks: Checks | None = None
    """Loop checks; None where there are none."""
    relearn: Callable[[str, str, str], object] | None = None
    """Asks that a loop be learnt anew: its id, why, who. OSError: it cannot be kept."""


def _sources(request: Request) -> Sources:
    found: Sources = request.app.state.sources
    return found


FromApp = Annotated[Sources, Depends(_sources)]
"""A route's parameter of this type is filled in."""
