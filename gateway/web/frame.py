"""What every event of a live stream begins with: which row it is of, how old it is, the alarms."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pydantic import BaseModel, Field

from gateway.live import Live, Snapshot
from gateway.plant.site import Site
from gateway.views import iso

from .board import AlarmTally, Board

FRESH_ROWS = 3.0
FRESH_MORE_S = 2.0
"""A row older than 3 intervals and 2 s is no longer shown as live."""


class Frame(BaseModel):
    """When the latest row was taken, whether that is still live, and the alarms in short."""

    site: str
    revision: str = Field(description="Changes with the site file and with the program.")
    time: str | None = Field(description="When the latest row was taken; None before the first.")
    age_s: float | None = Field(description="How old that row was when this was sent.")
    fresh_within_s: float = Field(description="A row older than this is not live any more.")
    interval_s: float = Field(description="Usual time from row to row.")
    alarms: AlarmTally
    troubles: list[str] = Field(description="What is wrong with the gateway itself.")


def interval_of(site: Site) -> float:
    """Seconds from row to row."""
    return min((c.interval_s for c in site.controllers.values()), default=1.0)


def fresh_within(site: Site) -> float:
    """Seconds that a row may be old and still be shown as live."""
    return FRESH_ROWS * interval_of(site) + FRESH_MORE_S


class Framing:
    """Makes the frame of this instant. `clock`: seconds since 1970."""

    def __init__(self, live: Live, clock: Callable[[], float], revision: str, board: Board) -> None:
        self._live, self._clock, self._board, self.revision = live, clock, board, revision

    def age(self) -> float | None:
        """Seconds since the latest row was taken, None before the first."""
        return self._age(self._live.latest)

    def until(self) -> float:
        """The end of what there is to show: now, or the latest row where that is ahead of now."""
        latest = self._live.latest
        return max(self._clock(), latest.time + 0.001 if latest else 0.0)

    def _age(self, latest: Snapshot | None) -> float | None:
        if latest is None:
            return None
        return max(0.0, self._clock() - (latest.time - latest.clock.ahead_s))

    def fields(self, latest: Snapshot | None) -> dict[str, Any]:
        """The fields of a `Frame` round a snapshot; may be asked in any thread."""
        site, age = self._live.site, self._age(latest)
        return {
            "site": site.site.id,
            "revision": self.revision,
            "time": iso(latest.time) if latest else None,
            "age_s": round(age, 3) if age is not None else None,
            "fresh_within_s": fresh_within(site),
            "interval_s": interval_of(site),
            "alarms": self._board.tally(),
            "troubles": list(latest.troubles.values()) if latest else [],
        }
