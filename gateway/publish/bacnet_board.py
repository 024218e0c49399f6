"""What the device shows at this moment: everything that a front end can read about inputs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from math import ceil

from gateway.plant.units import from_pa

from .bacnet_codes import RELIABLE, UNREACHED, EventState
from .bacnet_events import Events
from .bacnet_inputs import Input
from .bacnet_values import Shown

Stamp = tuple[tuple[int, int, int, int], tuple[int, int, int, int]]
"""(year - 1900, month, day, day of week from Monday = 1), (hour, minute, second, hundredths)."""
ANY = 255
NEVER: Stamp = ((ANY,) * 4, (ANY,) * 4)
"""An event that has not been yet: every field unspecified."""


def stamp(seconds: float | None, zone: tzinfo) -> Stamp:
    """Seconds since 1970 UTC as the device's date and time; NEVER for None."""
    if seconds is None:
        return NEVER
    here = datetime.fromtimestamp(seconds, UTC).astimezone(zone)
    date = (here.year - 1900, here.month, here.day, here.isoweekday())
    return date, (here.hour, here.minute, here.second, here.microsecond // 10_000)


def west_minutes(seconds: float, zone: tzinfo) -> tuple[int, bool]:
    """Minutes from the zone's standard time to UTC, positive to the west; whether it is summer."""
    here = datetime.fromtimestamp(seconds, UTC).astimezone(zone)
    summer = here.dst() or timedelta()
    standard = (here.utcoffset() or timedelta()) - summer
    return -round(standard.total_seconds() / 60), bool(summer)


def same(stamps: Stamp, other: Stamp) -> bool:
    """Whether two stamps are of one instant; an unspecified day of the week fits any."""
    (one_date, one_time), (two_date, two_time) = stamps, other
    days = {one_date[3], two_date[3]} - {ANY}
    return one_date[:3] == two_date[:3] and one_time == two_time and len(days) <= 1


class Board:
    """Inputs by index and by instance number, and what they show."""

    def __init__(
        self, inputs: Sequence[Input], numbers: Mapping[str, int], events: Events, zone: tzinfo
    ) -> None:
        self.inputs = inputs
        self.events = events
        self.zone = zone
        self.instances = [numbers[one.name] for one in inputs]
        self.index_of = {instance: k for k, instance in enumerate(self.instances)}
        self.named = {one.name: k for k, one in enumerate(inputs)}
        self.shown: Shown | None = None

    def value(self, index: int) -> float:
        """The present value, in the input's unit; 0 before the first reading."""
        return self.shown.values[index] if self.shown else 0.0

    def reliability(self, index: int) -> int:
        """How far to trust it."""
        return self.shown.reliabilities[index] if self.shown else UNREACHED

    def flags(self, index: int) -> tuple[int, int, int, int]:
        """In alarm, fault, overridden, out of service."""
        return self.flags_of(self.events.of(index).state, self.reliability(index))

    @staticmethod
    def flags_of(state: EventState, reliability: int) -> tuple[int, int, int, int]:
        """Flags of an event state and a reliability; this program overrides nothing."""
        return int(state is not EventState.NORMAL), int(reliability != RELIABLE), 0, 0

    def limit(self, index: int, limit_Pa: float | None) -> float:
        """A limit that was passed, in the input's unit; 0 where none was."""
        return 0.0 if limit_Pa is None else from_pa(limit_Pa, self.inputs[index].unit)


def whole_seconds(delay_s: float) -> int:
    """A delay as BACnet can say it: not shorter than it is."""
    return ceil(delay_s)
