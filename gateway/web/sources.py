"""What every route may reach."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Annotated

from fastapi import Depends, Request

from gateway.checking.checks import Checks
from gateway.live import Live

from .board import Board
from .details import Details
from .gate import Gate
from .now import Now
from .past import Past
from .streams import Streams


@dataclass
class Exports:
    """How many exports are under way."""

    open: int = 0


@dataclass(frozen=True)
class Sources:
    """The live state in short and in detail, its alarms, who may act, the past, what is streaming.

    clock: seconds since 1970.
    """

    live: Live
    now: Now
    details: Details
    board: Board
    gate: Gate
    past: Past
    streams: Streams
    clock: Callable[[], float]
    exports: Exports = field(default_factory=Exports)
    checks: Checks | None = None
    """Loop checks; None where there are none."""


def _sources(request: Request) -> Sources:
    found: Sources = request.app.state.sources
    return found


FromApp = Annotated[Sources, Depends(_sources)]
"""A route's parameter of this type is filled in."""
