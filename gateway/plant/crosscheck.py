"""Faults between the entries of a site file: references that lead nowhere, things that clash."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from statistics import mean, median
from typing import Any

from gateway.errors import Fault

from .controllers import Controller, Point
from .faults import among, shown
from .loops import Loop
from .transducers import Bands, Transducer
from .units import PRESSURE_UNITS, from_pa

RAW_UNITS = ("", "counts", "mA", "V", "%")
"""Units in which a controller may show what its analog input reads before scaling."""
CARD_SLACK = 0.01
"""Share of the signal's width that may lie beyond the input's end: shunts are not exact."""

_COMBINE: dict[str, Callable[[list[float]], float]] = {
    "average": mean, "single": mean, "median": median, "minimum": min, "maximum": max, "sum": sum,
}  # fmt: skip


@dataclass(frozen=True)
class Draft:
    """What could be read of a site file.

    raw: the tables as they stand. points: the names of each controller's points, also where the
    controller has faults; None where they are not known. unsure: paths ("controllers",
    "loops.stair-b") of what has faults of its own; only references are checked there.
    """

    raw: Mapping[str, Any]
    controllers: Mapping[str, Controller]
    transducers: Mapping[str, Transducer]
    loops: Mapping[str, Loop]
    points: Mapping[str, Collection[str] | None]
    unsure: frozenset[str] = frozenset()

    def sound(self, kind: str, name: str) -> bool:
        """Whether an entry has no faults of its own."""
        return not {kind, f"{kind}.{name}"} & self.unsure


def entries(raw: Mapping[str, Any], kind: str) -> list[tuple[str, Any]]:
    """Names and contents of a section as they stand; none when it is no table."""
    section = raw.get(kind)
    return list(section.items()) if isinstance(section, Mapping) else []


def clashes(draft: Draft) -> list[Fault]:
    """Every fault between entries: references first, then what each noun says."""
    return [
        *_references(draft, "transducers", ("counts", "controller_value")),
        *_references(draft, "loops", ("feedback", "setpoint", "output", "running")),
        *_members(draft),
        *_controllers(draft),
        *_transducers(draft),
        *_loops(draft),
    ]


def _references(draft: Draft, kind: str, fields: tuple[str, ...]) -> Iterator[Fault]:
    """`controller.point` that leads nowhere."""
    for name, entry in entries(draft.raw, kind):
        for field in fields if isinstance(entry, Mapping) else ():
            ref = entry.get(field)
            if isinstance(ref, str) and "." in ref and "controllers" not in draft.unsure:
                yield from _reference(draft, f"{kind}.{name}.{field}", ref)


def _reference(draft: Draft, path: str, ref: str) -> Iterator[Fault]:
    controller, _, name = ref.partition(".")
    if controller not in draft.points:
        allowed = f"a point of a controller{among(controller, draft.points)}"
        yield Fault(path, shown(ref), allowed)
        return
    points = draft.points[controller]
    if points is not None and name not in points:
        yield Fault(path, shown(ref), f"a point of {controller}{among(name, points)}")


def _members(draft: Draft) -> Iterator[Fault]:
    known = [name for name, _ in entries(draft.raw, "transducers")]
    for name, entry in entries(draft.raw, "loops"):
        members = entry.get("transducers") if isinstance(entry, Mapping) else None
        for member in members if isinstance(members, list | tuple) else ():
            if isinstance(member, str) and member not in known:
                allowed = f"a transducer{among(member, known)}"
                yield Fault(f"loops.{name}.transducers", shown(member), allowed)


def _controllers(draft: Draft) -> Iterator[Fault]:
    polled: dict[tuple[str, int, int], str] = {}
    for name, controller in draft.controllers.items():
        path = f"controllers.{name}"
        if not draft.sound("controllers", name):
            continue
        address = (controller.host.lower(), controller.port, controller.unit_id)
        if (first := polled.setdefault(address, name)) != name:
            value = f"{controller.host}:{controller.port} unit {controller.unit_id}"
            yield Fault(f"{path}.host", value, f"an address of its own: {first} is polled there")
        if not controller.points:
            yield Fault(f"{path}.points", "none", "at least one point, here or in a register_map")
        beat = controller.heartbeat
        if beat is not None and beat not in controller.points:
            allowed = f"a point of {name}{among(beat, controller.points)}"
            yield Fault(f"{path}.heartbeat", shown(beat), allowed)
        yield from _unreadable(path, controller)


def _unreadable(path: str, controller: Controller) -> Iterator[Fault]:
    """Points that no request may bring."""
    reads = controller.reads
    for name, point in controller.points.items():
        last = point.address + point.registers - 1
        where = f"{path}.points.{name}"
        if point.registers > reads.max_registers:
            value = f"a {point.type} fills {point.registers} registers"
            yield Fault(where, value, f"reads.max_registers = {reads.max_registers} at once")
        banned = reads.forbidden_input if point.table == "input" else reads.forbidden_holding
        for low, high in banned:
            if point.address <= high and low <= last:
                value = f"{point.table} register(s) {point.address} to {last}"
                yield Fault(where, value, f"none of reads.forbidden_{point.table} {low} to {high}")


def _transducers(draft: Draft) -> Iterator[Fault]:
    taken: dict[str, str] = {}
    registers: dict[tuple[str, str, int], str] = {}
    for name, transducer in draft.transducers.items():
        path = f"transducers.{name}"
        for field in ("counts", "controller_value"):
            ref: str | None = getattr(transducer, field)
            if ref is None:
                continue
            if first := taken.get(ref):
                yield Fault(f"{path}.{field}", shown(ref), f"a point of its own: {first} has it")
            taken.setdefault(ref, f"{path}.{field}")
        yield from _raw(draft, path, transducer)
        yield from _register(draft, path, transducer.counts, registers)
        yield from _pressure(draft, f"{path}.controller_value", transducer.controller_value)
        if draft.sound("transducers", name):
            yield from _card(path, transducer)
            yield from _bands(path, transducer)


def _raw(draft: Draft, path: str, transducer: Transducer) -> Iterator[Fault]:
    point = _point(draft, transducer.counts)
    if point is None:
        return
    if point.unit not in RAW_UNITS:
        allowed = f"a point in {', '.join(RAW_UNITS[1:])} or without a unit: what the input reads"
        yield Fault(f"{path}.counts", f"{transducer.counts} is in {point.unit}", allowed)
    if point.bit is not None:
        value = f"{transducer.counts} is bit {point.bit} of a register"
        yield Fault(f"{path}.counts", value, "a point that holds a number")


def _register(
    draft: Draft, path: str, ref: str, registers: dict[tuple[str, str, int], str]
) -> Iterator[Fault]:
    """Counts that come from the register of another transducer under another name."""
    point = _point(draft, ref)
    if point is None:
        return
    where = (ref.partition(".")[0], point.table, point.address)
    if (first := registers.setdefault(where, ref)) != ref:
        value = f"{ref} is {point.table} register {point.address}"
        yield Fault(f"{path}.counts", value, f"a register of its own: {first} is that one")


def _card(path: str, transducer: Transducer) -> Iterator[Fault]:
    """An input that ends inside the range of the signal cannot carry it."""
    card, signal = transducer.input, transducer.sends()
    volts_per_mA = card.shunt_ohm / 1000 if card.shunt_ohm is not None else 1.0
    low, high = signal.low * volts_per_mA, signal.high * volts_per_mA
    slack = CARD_SLACK * (high - low)
    if card.clamps and (min(card.electrical) > low + slack or max(card.electrical) < high - slack):
        shunt = f" over {card.shunt_ohm:g} ohm" if card.shunt_ohm is not None else ""
        value = f"{shown(card.electrical)} {card.unit}"
        allowed = (
            f"both ends of {signal.name}{shunt}, {low:g} to {high:g} {card.unit}, or clamps = false"
        )
        yield Fault(f"{path}.input.electrical", value, allowed)


def _bands(path: str, transducer: Transducer) -> Iterator[Fault]:
    """The failure limits, overrides included, must rise from open circuit to short circuit."""
    signal = transducer.sends()
    limits = [(name, getattr(signal, name)) for name in Bands.model_fields]
    limits = [(name, limit) for name, limit in limits if isfinite(limit)]  # the others: no limit
    for (below, lower), (above, upper) in pairwise(limits):
        if lower > upper:
            own = below if getattr(transducer.bands, below) is not None else above
            value = f"{below} {lower:g} {signal.unit} is above {above} {upper:g} {signal.unit}"
            allowed = f"rising limits: {' <= '.join(Bands.model_fields)}"
            yield Fault(f"{path}.bands.{own}", value, allowed)


def _loops(draft: Draft) -> Iterator[Fault]:
    for name, loop in draft.loops.items():
        path = f"loops.{name}"
        yield from _pressure(draft, f"{path}.feedback", loop.feedback)
        yield from _pressure(draft, f"{path}.setpoint", loop.setpoint)
        yield from _running(draft, path, loop)
        if draft.sound("loops", name):
            yield from _output_range(path, loop)
            yield from _limits(draft, path, loop)


def _running(draft: Draft, path: str, loop: Loop) -> Iterator[Fault]:
    point = _point(draft, loop.running) if loop.running else None
    if point is not None and point.unit:
        value = f"{loop.running} is in {point.unit}"
        yield Fault(f"{path}.running", value, "a point without a unit: 1 running, 0 stopped")


def _output_range(path: str, loop: Loop) -> Iterator[Fault]:
    if loop.output_range is None:
        return
    value = shown(loop.output_range)
    if loop.output is None:
        yield Fault(f"{path}.output_range", value, "only together with an output point")
    if not loop.output_range[0] < loop.output_range[1]:
        yield Fault(f"{path}.output_range", value, "lower limit below upper limit")


def _limits(draft: Draft, path: str, loop: Loop) -> Iterator[Fault]:
    """A limit that the combined pressure cannot reach would never tell anything."""
    members = [draft.transducers.get(k) for k in loop.transducers]
    known = [m for k, m in zip(loop.transducers, members, strict=True)
             if m is not None and draft.sound("transducers", k)]  # fmt: skip
    if len(known) < len(loop.transducers):
        return
    unit = loop.unit or known[0].unit
    low, high = (from_pa(end, unit) for end in _reach(loop, known))
    slack = 1e-9 * (high - low)
    for field in ("low", "high"):
        limit: float | None = getattr(loop.limits, field)
        if limit is not None and not low - slack <= limit <= high + slack:
            allowed = f"{low:g} to {high:g} {unit}, which its transducers can measure"
            yield Fault(f"{path}.limits.{field}", f"{limit:g} {unit}", allowed)


def _reach(loop: Loop, members: list[Transducer]) -> tuple[float, float]:
    """Lowest and highest combined pressure that the ranges of the members allow, Pa."""
    lower, upper = [m.lrv_pa for m in members], [m.urv_pa for m in members]
    if loop.combine == "difference":
        return lower[0] - upper[1], upper[0] - lower[1]
    combine = _COMBINE[loop.combine]
    return combine(lower), combine(upper)


def _pressure(draft: Draft, path: str, ref: str | None) -> Iterator[Fault]:
    point = _point(draft, ref) if ref else None
    if point is not None and point.unit not in PRESSURE_UNITS:
        unit = f"in {point.unit}" if point.unit else "without a unit"
        allowed = f"a point in a unit of pressure ({', '.join(PRESSURE_UNITS)})"
        yield Fault(path, f"{ref} is {unit}", allowed)


def _point(draft: Draft, ref: str) -> Point | None:
    controller, _, name = ref.partition(".")
    found = draft.controllers.get(controller)
    return found.points.get(name) if found else None
