"""Which rows bring anything new: limits passed, findings raised and cleared, fans stopped."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from gateway.diagnose.findings import Finding, Status
from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns

from .definitions import DOOR, Definition, alarm_id
from .limits import Limits, Pressures, Standing, useless


@dataclass
class Row:
    """What one row brings. Limits as definitions; loops by column."""

    passed: list[tuple[Definition, float]] = field(default_factory=list)
    """With the pressure, Pa."""
    back: list[Definition] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    """Raised and cleared, in order."""
    own: list[tuple[Definition, str]] = field(default_factory=list)
    """What has gone wrong with the gateway itself, in words."""
    stopped: list[int] = field(default_factory=list)
    started: list[int] = field(default_factory=list)

    def joined(self, other: Row) -> Row:
        """Both; this one's first."""
        mine, theirs = vars(self), vars(other)
        return Row(**{name: mine[name] + theirs[name] for name in mine})


class Conditions:
    """Finds the rows at which something changes; the others cost nothing."""

    def __init__(self, columns: Columns, limits: tuple[Definition, ...]) -> None:
        self.limits = limits
        self._columns = columns
        self._passed = Limits(columns, limits)
        self._standing = Standing(columns)
        self._pressures = Pressures(columns.loops)
        self._where = {key: k for k, key in enumerate(columns.transducers.ids)}
        self._doubts: NDArray[np.int64] = np.zeros(len(self._where), dtype=np.int64)

    def ruled(self, loop: int) -> list[Definition]:
        """The limits of a loop that are not looked at while its fan stands.

        A door is hard to open whatever the fan does.
        """
        mine = np.flatnonzero(self._passed.loop == loop).tolist()
        return [self.limits[k] for k in mine if self.limits[k].fault != DOOR]

    def seed(self, passed: Iterable[str], standing: Iterable[int]) -> None:
        """Start as it was before a restart: alarms that were active, loops whose fan was off."""
        names = set(passed)
        self._passed.passed[:] = [d.id in names for d in self.limits]
        for loop in standing:
            self._standing.seed(loop)

    def open_before(self, findings: Iterable[Finding]) -> None:
        """Findings that stood open before the first row."""
        for finding in findings:
            if (column := self._doubted(finding)) is not None:
                self._doubts[column] += 1

    def examine(self, readings: Readings, events: Iterable[Finding]) -> dict[int, Row]:
        """Row number -> what it brings, in rising order."""
        rows: dict[int, Row] = {}
        last = len(readings) - 1
        placed: list[tuple[int, Finding]] = []
        for finding in events:
            at = min(int(np.searchsorted(readings.time, finding.time)), last)
            placed.append((at, finding))
            rows.setdefault(at, Row()).findings.append(finding)
        pressure, fresh = self._pressures.of(readings, self._doubt(len(readings), placed))
        before = self._passed.passed
        passed = self._passed.follow(readings.time, pressure, fresh)
        for at, k in _edges(before, passed):
            row = rows.setdefault(at, Row())
            if passed[at, k]:
                row.passed.append((self.limits[k], float(pressure[at, self._passed.loop[k]])))
            else:
                row.back.append(self.limits[k])
        before = self._standing.stands
        stands = self._standing.follow(readings.time, readings.running)
        for at, loop in _edges(before, stands):
            row = rows.setdefault(at, Row())
            (row.stopped if stands[at, loop] else row.started).append(loop)
        return dict(sorted(rows.items()))

    def _doubt(self, rows: int, placed: list[tuple[int, Finding]]) -> Bools | None:
        """(R, T) where a finding says that a transducer's reading is worth nothing; None: nowhere.

        Placed findings are taken in on the way.
        """
        steps = [(at, self._doubted(f), f.phase == "raised") for at, f in placed]
        real = [(at, column, up) for at, column, up in steps if column is not None]
        if not real and not self._doubts.any():
            return None
        doubts = np.broadcast_to(self._doubts, (rows, len(self._doubts))).copy()
        for at, column, up in real:
            doubts[at:, column] += 1 if up else -1
        self._doubts = doubts[-1]
        return doubts > 0

    def _doubted(self, finding: Finding) -> int | None:
        return self._where.get(finding.subject) if worth_nothing(finding) else None


def worth_nothing(finding: Finding) -> bool:
    """Whether a finding says that the reading of its transducer counts for no limit."""
    return finding.kind == "transducer" and finding.status is Status.FAILURE


def believed(
    columns: Columns, readings: Readings, open_: Iterable[Finding]
) -> tuple[Floats, Bools]:
    """Of one row, (L,) Pa by the transducers that can be believed, (T,) those that cannot.

    As limits see it. open_: findings that stand.
    """
    doubtful = {f.subject for f in open_ if worth_nothing(f)}
    doubted = np.array([[key in doubtful for key in columns.transducers.ids]], dtype=np.bool_)
    pressure, _ = Pressures(columns.loops).of(readings, doubted)
    return pressure[0], doubted[0] | useless(readings)[0]


def _edges(before: Bools, now: Bools) -> list[list[int]]:
    """(row, column) where an (R, n) array differs from the row before; `before` is (n,)."""
    earlier = np.concatenate([before[None], now[:-1]])
    edges: list[list[int]] = np.argwhere(now != earlier).tolist()
    return edges


def named(finding: Finding) -> str:
    """The alarm that a finding belongs to."""
    return alarm_id(finding.fault, finding.subject)
