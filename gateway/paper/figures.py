"""Numbers as they stand on paper: their own digits, a true minus, nothing for nothing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from gateway.plant.units import in_digits

NONE = "\u2013"
MINUS = "\u2212"


def figure(value: float | None, digits: int = 5) -> str:
    """Significant digits."""
    return NONE if value is None else _minus(in_digits(value, digits))


def fixed(value: float | None, places: int = 2) -> str:
    """Digits after the point, with a sign."""
    if value is None:
        return NONE
    text = f"{value:+.{places}f}"
    return _minus(text if float(text) else text[1:])


def plain(value: float | None, places: int = 2) -> str:
    """Digits after the point."""
    return NONE if value is None else _minus(f"{value:.{places}f}")


def counted(value: float | None) -> str:
    """What an input's point shows: whole counts, but not of one that tells volts or milliamps."""
    return figure(value, 4) if value is None or abs(value) < 1000 else plain(value, 0)


def with_unit(value: float | None, unit: str, digits: int = 5) -> str:
    """A figure and its unit."""
    return NONE if value is None else f"{figure(value, digits)} {unit}"


def plus_minus(value: float | None, expanded: float | None, unit: str) -> str:
    """A value with its expanded uncertainty."""
    if value is None:
        return NONE
    around = "" if expanded is None else f" ± {expanded:.2f}"
    return f"{fixed(value)}{around} {unit}"


def places_for(values: Sequence[float | None], most: int = 4) -> int:
    """Digits after the point that show a ten-thousandth of the largest, if need be."""
    largest = max((abs(v) for v in values if v is not None), default=0.0)
    return next((n for n in range(most + 1) if largest * 10**n >= 10_000), most)


def places_to(tolerance: float | None, most: int = 5) -> int:
    """Digits after the point that show a hundredth of a tolerance."""
    return next((n for n in range(most + 1) if (tolerance or 1.0) * 10**n >= 100), most)


def moment(seconds: float | None, zone: str) -> str:
    """Seconds since 1970 in a time zone, which is named; UTC where it is not known."""
    if seconds is None:
        return NONE
    try:
        place: ZoneInfo | None = ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError):
        place = None
    stamp = datetime.fromtimestamp(seconds, place or UTC)
    return f"{stamp:%Y-%m-%d %H:%M} {stamp.tzname() or 'UTC'}"


def day_parts(seconds: float) -> list[int]:
    """Year, month, day, hour, minute and second in UTC, for the document's own date."""
    stamp = datetime.fromtimestamp(int(seconds), UTC)
    return [stamp.year, stamp.month, stamp.day, stamp.hour, stamp.minute, stamp.second]


def signs(text: str) -> str:
    """Words with a true minus before numbers; "4-20 mA" stays as it is."""
    return re.sub(r"(?<![\w.)])-(?=\d)", MINUS, text)


def _minus(text: str) -> str:
    return text.replace("-", MINUS)
