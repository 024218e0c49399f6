"""Which alarms a site has: what each is about, how grave it is, and its delays.

Delays and deadbands at the start, by kind of signal (ISA-18.2 / EEMUA 191, secondary texts; the
delays from memory): pressure 2 % of span and 15 s. A finding has spent its own on-delay in the
diagnosis already.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from gateway.diagnose.catalogue.entry import Entry
from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.diagnose.consequence import allowed_pressure
from gateway.diagnose.explain import in_general
from gateway.diagnose.findings import Status
from gateway.plant.loops import Loop
from gateway.plant.site import Site
from gateway.plant.units import from_pa, in_digits, to_pa

from .own import OWN, SUBJECT
from .relations import Relations, Subject
from .transition import Kind, Priority

DEADBAND_SHARE = 0.02
DELAY_S = 15.0
FINDING_OFF_S = 30.0
"""Off-delay of a finding; it grows when the finding keeps coming back (common practice)."""

Source = Literal["finding", "limit", "group", "gateway"]
LOW, HIGH, DOOR = "pressure-low", "pressure-high", "door-force"
MANY_HERE, MANY_ANYWHERE = "many-transducers", "many-alarms"


@dataclass(frozen=True)
class Limit:
    """What a loop's pressure is held against, in Pa.

    side: +1 too high, -1 too low. size: the size of the pressure counts, whatever its sign.
    """

    loop: str
    side: int
    pressure_Pa: float
    deadband_Pa: float
    size: bool = False


@dataclass(frozen=True)
class Definition:
    """One alarm that may happen.

    rank: causes before consequences. on_delay_s: for a limit, how long it must be passed; for any
    alarm, how long it must outlive its cause before it stands by itself. off_delay_s: how long the
    condition must be gone. latching: stays until it is reset, also when the condition is gone.
    """

    id: str
    fault: str
    kind: Kind
    subject: str
    source: Source
    rank: int
    priority: Priority
    on_delay_s: float
    off_delay_s: float
    latching: bool
    message: str
    next_check: str
    entry: Entry | None = None
    """The catalogue's words, when it is about a finding."""
    limit: Limit | None = None

    @property
    def subject_of_kind(self) -> Subject:
        """What it is about."""
        return self.kind, self.subject


@dataclass(frozen=True)
class Change:
    """What a site wants otherwise; None leaves it."""

    priority: Priority | None = None
    on_delay_s: float | None = None
    off_delay_s: float | None = None
    latching: bool | None = None
    deadband_Pa: float | None = None


_H, _M, _L = Priority.HIGH, Priority.MEDIUM, Priority.LOW
PRIORITIES: dict[Status, tuple[Priority, Priority, Priority]] = {
    Status.FAILURE: (_H, _M, _L),
    Status.OUT_OF_SPECIFICATION: (_M, _L, _L),
    Status.MAINTENANCE_REQUIRED: (_L, _L, _L),
    Status.FUNCTION_CHECK: (_L, _L, _L),
    Status.GOOD: (_L, _L, _L),
}
"""NE 107 status -> priority where a loop has a door, where it has limits, elsewhere. Our own."""
LIMIT_PRIORITY = (_H, _M, _M)
LINK_PRIORITY = (_M, _L, _L)
"""A silent controller may be running well: only the witness is blind."""

_NEXT = {
    LOW: (
        "Is the fan running, at what output? Look for open doors, closed dampers and a loaded "
        "filter; compare with a hand-held gauge at a tapping."
    ),
    HIGH: (
        "Try the door, then compare with a hand-held gauge at a tapping; look for a closed "
        "relief damper, and whether the set point was changed."
    ),
    DOOR: (
        "Measure the force to set the door in motion with a force gauge at the knob, with the "
        "fan running. The limit is an aid: the local code and the authority having jurisdiction "
        "decide. On a smoke-control loop arrange the impairment before changing anything."
    ),
    MANY_HERE: (
        "Look for what they share: the supply of the transducers, the input card, one cable. "
        "The list under this alarm begins with the first that failed."
    ),
    MANY_ANYWHERE: (
        "Look for what they share: the network, the power, work in the building. The list under "
        "this alarm begins with the first."
    ),
}
_RANK = {
    fault: k
    for k, fault in enumerate((MANY_ANYWHERE, MANY_HERE, *CATALOGUE, DOOR, HIGH, LOW, *OWN))
}
_KIND: dict[str, Kind] = {
    **{fault: entry.kind for fault, entry in CATALOGUE.items()},
    DOOR: "loop", HIGH: "loop", LOW: "loop", MANY_HERE: "controller", MANY_ANYWHERE: "site",
    **dict.fromkeys(OWN, "gateway"),
}  # fmt: skip


def alarm_id(fault: str, subject: str) -> str:
    """The stable name of an alarm."""
    return f"{fault}:{subject}"


class Definitions:
    """Every alarm of a site, made when it is asked for.

    changes: by alarm id or by fault; the id wins.
    """

    def __init__(self, site: Site, changes: Mapping[str, Change] | None = None) -> None:
        self.site = site
        self.relations = Relations(site)
        self._changes = dict(changes or {})
        self._made: dict[str, Definition] = {}

    def of(self, alarm: str) -> Definition:
        """The definition behind an alarm's id; KeyError when the site has no such alarm."""
        if (known := self._made.get(alarm)) is not None:
            return known
        fault, _, subject = alarm.partition(":")
        kind = _KIND.get(fault)
        if kind is None or not self.relations.knows(kind, subject):
            raise KeyError(alarm)
        if fault in (LOW, HIGH, DOOR) and alarm not in dict(self._limits_of(subject)):
            raise KeyError(alarm)
        self._made[alarm] = self._changed(self._make(alarm, fault, kind, subject))
        return self._made[alarm]

    def on(self, kind: Kind, subject: str) -> tuple[Definition, ...]:
        """Every alarm about one subject, causes first."""
        faults = sorted((f for f, of in _KIND.items() if of == kind), key=lambda f: _RANK[f])
        limits = dict(self._limits_of(subject)) if kind == "loop" else {}
        names = [alarm_id(f, subject) for f in faults]
        return tuple(
            self.of(a) for a in names if a in limits or a.partition(":")[0] not in (LOW, HIGH, DOOR)
        )

    def limits(self) -> tuple[Definition, ...]:
        """The limits of every loop, in file order."""
        return tuple(self.of(a) for loop in self.site.loops for a, _ in self._limits_of(loop))

    def all(self) -> Iterator[Definition]:
        """Every alarm that this site may have."""
        yield from self.on("gateway", SUBJECT)
        yield from self.on("site", self.site.site.id)
        site = self.site
        subjects: dict[Kind, Iterable[str]] = {
            "controller": site.controllers, "transducer": site.transducers, "loop": site.loops,
        }  # fmt: skip
        for kind, keys in subjects.items():
            for key in keys:
                yield from self.on(kind, key)

    def _make(self, alarm: str, fault: str, kind: Kind, subject: str) -> Definition:
        entry = CATALOGUE.get(fault)
        stake = self._stake(kind, subject)
        shared: dict[str, Any] = {
            "id": alarm, "fault": fault, "kind": kind, "subject": subject, "rank": _RANK[fault],
            "latching": False, "entry": entry,
        }  # fmt: skip
        if entry is not None:
            by_stake = LINK_PRIORITY if entry.group == "link" else PRIORITIES[entry.status]
            return Definition(
                **shared, source="finding", priority=by_stake[stake], on_delay_s=entry.raise_s,
                off_delay_s=FINDING_OFF_S, message=entry.title,
                next_check=in_general(self.site, entry, subject),
            )  # fmt: skip
        if kind == "loop":
            return Definition(
                **shared, source="limit", priority=LIMIT_PRIORITY[stake], on_delay_s=DELAY_S,
                off_delay_s=DELAY_S, message=_limit_words(self.site, fault, subject),
                next_check=_limit_check(self.site, fault, subject),
                limit=dict(self._limits_of(subject))[alarm],
            )  # fmt: skip
        if kind == "gateway":
            own = OWN[fault]
            return Definition(
                **shared, source="gateway", priority=own.priority, on_delay_s=0.0,
                off_delay_s=0.0, message=own.message, next_check=own.next_check,
            )  # fmt: skip
        words = {
            MANY_HERE: f"Many transducers behind {subject} at once",
            MANY_ANYWHERE: "Many alarms at once",
        }
        return Definition(
            **shared, source="group", priority=_H if kind == "site" else LIMIT_PRIORITY[stake],
            on_delay_s=0.0, off_delay_s=0.0, message=words[fault], next_check=_NEXT[fault],
        )  # fmt: skip

    def _changed(self, made: Definition) -> Definition:
        for key in (made.fault, made.id):
            if change := self._changes.get(key):
                wanted = {k: v for k, v in vars(change).items() if v is not None}
                band = wanted.pop("deadband_Pa", None)
                if made.limit is not None and band is not None:
                    wanted["limit"] = replace(made.limit, deadband_Pa=band)
                made = replace(made, **wanted)
        return made

    def _stake(self, kind: Kind, subject: str) -> int:
        """0 where a touched loop has a door, 1 where one has limits, else 2."""
        nouns = [self.site.loops[k] for k in self.relations.touched_loops(kind, subject)]
        if any(noun.door for noun in nouns):
            return 0
        limited = any((noun.limits.low, noun.limits.high) != (None, None) for noun in nouns)
        return 1 if limited else 2

    def _limits_of(self, loop: str) -> Iterator[tuple[str, Limit]]:
        noun, unit = self.site.loops[loop], self.site.loop_unit(loop)
        band = self._deadband(noun, unit)
        if noun.door is not None:
            at = allowed_pressure(noun.door)
            yield alarm_id(DOOR, loop), Limit(loop, 1, at, _bounded(band, at), size=True)
        if noun.limits.high is not None:
            yield alarm_id(HIGH, loop), Limit(loop, 1, to_pa(noun.limits.high, unit), band)
        if noun.limits.low is not None:
            yield alarm_id(LOW, loop), Limit(loop, -1, to_pa(noun.limits.low, unit), band)

    def _deadband(self, noun: Loop, unit: str) -> float:
        spans = [self.site.transducers[k].span_pa for k in noun.transducers]
        band = DEADBAND_SHARE * sum(spans) / len(spans)
        low, high = noun.limits.low, noun.limits.high
        if low is None or high is None:
            return _bounded(band, to_pa(low or high or 0.0, unit))
        # Limits close together leave less room for the way back.
        return min(band, to_pa(high - low, unit) / 4)


def _bounded(band: float, limit: float) -> float:
    """A deadband that leaves a way back although the transducers could show far more."""
    return min(band, abs(limit) / 4) if limit else band


def _limit_check(site: Site, fault: str, loop: str) -> str:
    """What to check next; where the fan sucks, the lower limit is the one for too much of it."""
    limits = site.loops[loop].limits
    given = [limit for limit in (limits.low, limits.high) if limit is not None]
    sucks = bool(given) and max(given) <= 0
    return _NEXT[{LOW: HIGH, HIGH: LOW}.get(fault, fault) if sucks else fault]


def _limit_words(site: Site, fault: str, loop: str) -> str:
    noun, unit = site.loops[loop], site.loop_unit(loop)
    if fault == DOOR and noun.door is not None:
        at = from_pa(allowed_pressure(noun.door), unit)
        limit = noun.door.force_limit_N
        more = f"The door takes more than {in_digits(limit)} N to set in motion"
        return f"{more} (from {in_digits(at)} {unit} on)"
    if fault == HIGH:
        return f"Pressure above {noun.limits.high:g} {unit}"
    return f"Pressure below {noun.limits.low:g} {unit}"
