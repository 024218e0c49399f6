"""When each transducer is due for its next check."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

from gateway.plant.site import Site

DAY_S = 86_400.0


@dataclass(frozen=True)
class Due:
    """One transducer that has a time between checks. Times are seconds since 1970.

    last: when it was last known to be right, None for never; at: when it is due, by `last`.
    """

    transducer: str
    every_days: int
    last: float | None
    at: float | None
    overdue: bool


def due_dates(site: Site, checked: Mapping[str, float | None], now: float) -> list[Due]:
    """What is due, the most urgent first; only transducers with a time between checks.

    checked: when each left a check inside its tolerance. The day of its calibration counts too.
    """
    found = []
    for key, noun in site.transducers.items():
        if noun.check_every_days is None:
            continue
        day = noun.calibrated
        given = datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() if day else None
        known = [moment for moment in (checked.get(key), given) if moment is not None]
        last = max(known, default=None)
        at = None if last is None else last + noun.check_every_days * DAY_S
        overdue = at is None or at <= now
        found.append(Due(key, noun.check_every_days, last, at, overdue))
    return sorted(found, key=lambda one: -1.0 if one.at is None else one.at)


def in_words(found: Iterable[Due]) -> str:
    """Those that are overdue, in a line; empty when none is."""
    late = [
        f"{one.transducer} (never checked)" if one.at is None else
        f"{one.transducer} since {datetime.fromtimestamp(one.at, UTC):%Y-%m-%d}"
        for one in found
        if one.overdue
    ]  # fmt: skip
    return ", ".join(late)
