"""What is to be exported: checked against the site, whoever asked."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from gateway.errors import Fault, LoopwitnessError
from gateway.plant.faults import among, shown
from gateway.plant.site import Site
from gateway.replay.csvfile import ALLOWED_TIME, seconds

Rows = Literal["readings", "scans", "minutes", "hours", "journal"]
"""readings: what registers meant, a row a poll; scans: decoded register values, for `replay`;
minutes, hours: count, mean, lowest, highest of the readings; journal: what happened."""
KINDS: tuple[Rows, ...] = get_args(Rows)
FIRST, LAST = 0.0, 253_402_300_799.0
"""1970 to the end of year 9999."""
QUANTITIES = ("feedback", "setpoint", "output", "running")
"""What a controller reports of a loop."""


class OrderError(LoopwitnessError):
    """An order that cannot be met; carries where, what, and what is allowed."""

    exit_code = 2

    def __init__(self, fault: Fault, *, unknown: bool = False) -> None:
        self.fault, self.unknown = fault, unknown
        super().__init__(str(fault))


@dataclass(frozen=True)
class Order:
    """`start` and `end` in seconds since 1970, end not included; ids in file order.

    whole: nothing was left out, so that replaying the scans gives every finding.
    """

    rows: Rows
    transducers: tuple[str, ...]
    loops: tuple[str, ...]
    start: float = FIRST
    end: float = LAST
    whole: bool = True

    @property
    def subjects(self) -> frozenset[str]:
        """Ids of the transducers and loops."""
        return frozenset(self.transducers) | frozenset(self.loops)


@dataclass(frozen=True)
class Names:
    """How the person who orders calls the parts of an order: options, or parts of an address."""

    rows: str = "--rows"
    loop: str = "--loop"
    transducer: str = "--transducer"
    start: str = "--from"
    end: str = "--to"


def ordered(
    site: Site,
    rows: str,
    loops: Sequence[str] = (),
    transducers: Sequence[str] = (),
    start: str | None = None,
    end: str | None = None,
    names: Names | None = None,
) -> Order:
    """An order from words as typed; without loops and transducers it is for all of the site.

    A loop brings its transducers along. OrderError for the first word that cannot be used.
    """
    names = names or Names()
    if rows not in KINDS:
        raise OrderError(Fault(names.rows, shown(rows), ", ".join(KINDS)))
    _known(names.loop, loops, site.loops, "a loop of the site")
    _known(names.transducer, transducers, site.transducers, "a transducer of the site")
    first = FIRST if start is None else _time(names.start, start)
    last = LAST if end is None else _time(names.end, end)
    if not first < last:
        value = f"{start if start is not None else 'left out'} with {names.end} {end}"
        raise OrderError(Fault(names.start, value, "a time before the other"))
    whole = not loops and not transducers
    members = {k for key in loops for k in site.loops[key].transducers} | set(transducers)
    return Order(
        rows=next(kind for kind in KINDS if kind == rows),
        transducers=tuple(k for k in site.transducers if whole or k in members),
        loops=tuple(k for k in site.loops if whole or k in loops),
        start=first,
        end=last,
        whole=whole,
    )


def _known(name: str, asked: Iterable[str], known: Iterable[str], allowed: str) -> None:
    ids = list(known)
    for one in asked:
        if one not in ids:
            fault = Fault(name, shown(one), f"{allowed}{among(one, ids)}")
            raise OrderError(fault, unknown=True)


def _time(name: str, text: str) -> float:
    try:
        found = seconds(text)
    except (ValueError, OverflowError):
        found = -1.0
    if not FIRST <= found <= LAST:
        raise OrderError(Fault(name, shown(text), ALLOWED_TIME))
    return found


def points_of(site: Site, order: Order) -> tuple[str, ...]:
    """The points that an order touches, in file order."""
    refs = [f"{c}.{p}" for c, noun in site.controllers.items() for p in noun.points]
    if order.whole:
        return tuple(refs)
    wanted: set[str | None] = set()
    for key in order.transducers:
        wanted |= {site.transducers[key].counts, site.transducers[key].controller_value}
    for key in order.loops:
        wanted |= {getattr(site.loops[key], quantity) for quantity in QUANTITIES}
    return tuple(ref for ref in refs if ref in wanted)
