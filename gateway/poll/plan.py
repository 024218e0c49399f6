"""Which registers to ask for at once: the fewest reads that bring every point of a controller."""

from __future__ import annotations

from dataclasses import dataclass

from gateway.errors import Fault, LoopwitnessError
from gateway.plant.controllers import Controller, Point, Reads, Table


class PlanError(LoopwitnessError):
    """Points that cannot be read without breaking the controller's own rules, all at once."""

    exit_code = 1

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        self.faults = faults
        super().__init__("\n".join(str(fault) for fault in faults))


@dataclass(frozen=True)
class Place:
    """A point inside a request: `column` in file order, `offset` from its first register."""

    name: str
    column: int
    point: Point
    offset: int


@dataclass(frozen=True)
class Request:
    """One read of `count` registers from `address` on, and the points it brings."""

    table: Table
    address: int
    count: int
    points: tuple[Place, ...]

    def __str__(self) -> str:
        return f"{self.table} {self.address} to {self.address + self.count - 1}"


def plan(controller: Controller) -> tuple[Request, ...]:
    """The fewest requests that read every point once, within `controller.reads`.

    Input registers first, then holding registers, rising addresses. A point is never split, and
    no request touches a forbidden register. PlanError, naming each point, where that is
    impossible.
    """
    if faults := _faults(controller):
        raise PlanError(faults)
    tables: tuple[Table, Table] = ("input", "holding")
    return tuple(r for table in tables for r in _requests(controller, table))


def forbidden(reads: Reads, table: Table) -> tuple[tuple[int, int], ...]:
    """First and last address of each range of `table` that must not be read."""
    return reads.forbidden_input if table == "input" else reads.forbidden_holding


def _faults(controller: Controller) -> tuple[Fault, ...]:
    faults: list[Fault] = []
    reads = controller.reads
    for name, point in controller.points.items():
        path = f"points.{name}"
        last = point.address + point.registers - 1
        if point.registers > reads.max_registers:
            value = f"a {point.type} fills {point.registers} registers"
            faults.append(Fault(path, value, f"reads.max_registers = {reads.max_registers}"))
        for low, high in forbidden(reads, point.table):
            if _touches(point.address, last, low, high):
                value = f"{point.table} registers {point.address} to {last}"
                allowed = f"none of reads.forbidden_{point.table} {low} to {high}"
                faults.append(Fault(path, value, allowed))
    return tuple(faults)


def _touches(first: int, last: int, low: int, high: int) -> bool:
    return first <= high and low <= last


def _requests(controller: Controller, table: Table) -> list[Request]:
    # Going up from the lowest address and taking all that fits is the fewest: a point left out
    # for its length covers every later-starting point that would still have fitted.
    numbered = [
        (point.address, point.registers, column, name, point)
        for column, (name, point) in enumerate(controller.points.items())
        if point.table == table
    ]
    requests: list[Request] = []
    group: list[tuple[int, int, int, str, Point]] = []
    for item in sorted(numbered, key=lambda item: item[:3]):
        if group and not _fits(controller.reads, table, group, item[0], item[0] + item[1]):
            requests.append(_request(table, group))
            group = []
        group.append(item)
    return [*requests, _request(table, group)] if group else requests


def _fits(
    reads: Reads, table: Table, group: list[tuple[int, int, int, str, Point]], start: int, end: int
) -> bool:
    """Whether registers start up to, not including, end can join the request."""
    first = group[0][0]
    reached = max(address + registers for address, registers, *_ in group)
    if end - first > reads.max_registers or start - reached > reads.max_gap:
        return False
    return not any(_touches(first, end - 1, low, high) for low, high in forbidden(reads, table))


def _request(table: Table, group: list[tuple[int, int, int, str, Point]]) -> Request:
    first = group[0][0]
    end = max(address + registers for address, registers, *_ in group)
    places = tuple(
        Place(name, column, point, address - first) for address, _, column, name, point in group
    )
    return Request(table, first, end - first, places)
