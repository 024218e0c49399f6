"""When something is due although nothing happens; time comes in with the rows."""

from __future__ import annotations

from enum import StrEnum
from math import inf


class Timer(StrEnum):
    """What a due time is for."""

    SERVICE = "back in service"
    SHELF = "off the shelf"
    CLEAR = "off-delay of a finding"
    OUTLIVE = "a consequence has outlived its cause"


class Timers:
    """One due time for each timer and alarm."""

    def __init__(self) -> None:
        self._due: dict[tuple[Timer, str], float] = {}

    def set(self, timer: Timer, alarm: str, due: float) -> None:
        """Due at this time, whatever was set before."""
        self._due[timer, alarm] = due

    def start(self, timer: Timer, alarm: str, due: float) -> None:
        """Due at this time, unless the timer runs already."""
        self._due.setdefault((timer, alarm), due)

    def stop(self, timer: Timer, alarm: str) -> None:
        """Not due any more."""
        self._due.pop((timer, alarm), None)

    def next(self) -> float:
        """The earliest due time; infinite when no timer runs."""
        return min(self._due.values(), default=inf)

    def take(self, timer: Timer, time: float) -> list[str]:
        """Alarms for which this timer is due, by name; they stop."""
        due = sorted(k for t, k in self._due if t is timer and self._due[t, k] <= time)
        for alarm in due:
            self.stop(timer, alarm)
        return due
