"""What every analog input shows at a snapshot: a value, how far to trust it, and what is wrong.

Reliability comes from the open findings through the catalogue, else from the quality of the
reading. A value that is not known stays at the last one known, with its reliability saying so.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.diagnose.findings import Finding, Status
from gateway.live import Snapshot
from gateway.measure.blocks import Codes, Readings
from gateway.measure.columns import Columns, columns
from gateway.measure.quality import WORDS, Quality, Reason
from gateway.plant.site import Site
from gateway.views import RANK

from .bacnet_codes import RELIABILITY, RELIABLE, UNREACHED, UNRELIABLE
from .bacnet_inputs import Input, Quantity

GRACE_S = 5.0
"""A bad reading without a finding is an event from here on. Findings about wires and links come
within 4 s and know the cause; a single missed poll is none."""

_ORDER = {fault: k for k, fault in enumerate(CATALOGUE)}
_UNREACHED = np.array(
    [Reason.NOT_READ_YET, Reason.NO_COMMUNICATION, Reason.BAD_REPLY, Reason.STALE], dtype=np.uint8
)


@dataclass(frozen=True)
class Cause:
    """Why an input is in fault. fault: identifier; empty when only the reading is bad."""

    reliability: int
    fault: str
    subject: str
    message: str
    since: float


@dataclass(frozen=True)
class Shown:
    """All inputs at one snapshot, in their order; `causes` only for those in fault."""

    time: float
    values: list[float]
    """In the unit of each input."""
    reliabilities: list[int]
    causes: dict[int, Cause]


class Values:
    """Follows snapshots; remembers the last known values and since when readings are bad."""

    def __init__(self, site: Site, inputs: Sequence[Input]) -> None:
        self._inputs = inputs
        self._columns = columns(site)
        counts = {
            Quantity.PRESSURE: len(site.transducers),
            **dict.fromkeys(list(Quantity)[1:], len(site.loops)),
        }
        first = dict(zip(counts, np.cumsum([0, *counts.values()]).tolist(), strict=False))
        self._place = _ints([first[i.quantity] + i.column for i in inputs])
        self._per_unit = np.array([i.per_unit for i in inputs], dtype=np.float64)
        self._held = np.zeros(len(inputs))
        self._bad_since = np.full(len(inputs), np.nan)
        self._reasons = _Reasons(self._columns, inputs)
        self._about = _subjects(self._columns, inputs)

    def examine(self, snapshot: Snapshot) -> Shown:
        """The inputs at a snapshot; snapshots in order of time."""
        now = snapshot.readings
        sides = (now.pressure, now.combined, now.feedback, now.setpoint, now.output)
        values = np.concatenate([side[0] for side in sides])[self._place] / self._per_unit
        known = np.isfinite(values)
        self._held = np.where(known, values, self._held)
        reasons = self._reasons.of(now)
        bad = ~known | (reasons != Reason.NONE)
        base = np.where(np.isin(reasons, _UNREACHED), UNREACHED, UNRELIABLE)
        reliabilities: list[int] = np.where(bad, base, RELIABLE).tolist()
        causes = self._unexplained(snapshot.time, bad, reasons, reliabilities)
        self._explain(snapshot.findings, reliabilities, causes)
        return Shown(snapshot.time, self._held.tolist(), reliabilities, causes)

    def _unexplained(
        self, time: float, bad: NDArray[np.bool_], reasons: Codes, reliabilities: list[int]
    ) -> dict[int, Cause]:
        """Transducers whose reading has been bad for long, whatever the findings say."""
        counted = bad & (reasons != Reason.NOT_READ_YET)
        begun = np.where(np.isnan(self._bad_since), time, self._bad_since)
        self._bad_since = np.where(counted, begun, np.nan)
        return {
            k: Cause(
                reliabilities[k], "", self._inputs[k].subject,
                f"No reading: {WORDS[Reason(int(reasons[k]))] or 'not known'}",
                float(self._bad_since[k]),
            )
            for k in np.flatnonzero(time - self._bad_since >= GRACE_S).tolist()
            if self._inputs[k].quantity is Quantity.PRESSURE
        }  # fmt: skip

    def _explain(
        self, findings: Sequence[Finding], reliabilities: list[int], causes: dict[int, Cause]
    ) -> None:
        """The gravest finding of an input says more than the quality of its reading."""
        for finding in sorted(findings, key=_weight, reverse=True):
            entry = CATALOGUE.get(finding.fault)
            reliability = RELIABILITY[entry.reliability] if entry else UNRELIABLE
            if reliability == RELIABLE:
                continue
            cause = Cause(reliability, finding.fault, finding.subject, finding.title, finding.since)
            for k in self._about[finding.kind, finding.subject]:
                reliabilities[k] = reliability
                # What a loop's pressure suffers from others is their event, not its own.
                if self._inputs[k].reports and (
                    finding.kind != "controller" or self._inputs[k].quantity is Quantity.PRESSURE
                ):
                    causes[k] = cause
            if finding.kind == "transducer" and finding.status is Status.FAILURE:
                for k in self._about["member", finding.subject]:
                    if reliabilities[k] == RELIABLE:
                        reliabilities[k] = UNRELIABLE


def _weight(finding: Finding) -> tuple[bool, int, int]:
    """Own before the controller's, grave before mild, causes before consequences."""
    order = _ORDER.get(finding.fault, len(_ORDER))
    return finding.kind == "controller", RANK.index(finding.status), order


class _Reasons:
    """Why the reading behind an input is bad; NONE where it is not."""

    def __init__(self, of: Columns, inputs: Sequence[Input]) -> None:
        refs = {ref: k for k, ref in enumerate(of.points.refs)}
        kinds = np.array([list(Quantity).index(i.quantity) for i in inputs])
        self._transducers = np.flatnonzero(kinds == 0)
        self._combined = np.flatnonzero(kinds == 1)
        self._reported = np.flatnonzero(kinds > 1)
        self._column = _ints([i.column for i in inputs])
        self._point = _ints([refs.get(i.point, 0) for i in inputs])
        self._has = of.loops.has

    def of(self, now: Readings) -> Codes:
        """(N,) reasons."""
        out = np.zeros(len(self._column), dtype=np.uint8)
        bad = np.where(now.quality[0] == Quality.BAD, now.reasons[0], Reason.NONE)
        out[self._transducers] = bad[self._column[self._transducers]]
        # Of several members the one that cannot be reached counts: its codes are the lowest.
        members = np.where(self._has & (bad != Reason.NONE), bad, 255)
        worst = members.min(axis=1, initial=255)
        combined = np.where(worst == 255, Reason.NONE, worst).astype(np.uint8)
        out[self._combined] = combined[self._column[self._combined]]
        out[self._reported] = now.point_reasons[0, self._point[self._reported]]
        return out


def _subjects(of: Columns, inputs: Sequence[Input]) -> defaultdict[tuple[str, str], list[int]]:
    """Inputs by what a finding is about; under "member" the loops that a transducer serves."""
    about: defaultdict[tuple[str, str], list[int]] = defaultdict(list)
    for k, one in enumerate(inputs):
        if one.quantity in (Quantity.PRESSURE, Quantity.COMBINED):
            about[one.kind, one.subject].append(k)
        if one.quantity is Quantity.COMBINED:
            members = np.flatnonzero(of.loops.has[one.column]).tolist()
            for member in members:
                about["member", of.transducers.ids[member]].append(k)
        for controller in _controllers(of, one):
            about["controller", controller].append(k)
    return about


def _controllers(of: Columns, one: Input) -> Iterator[str]:
    if one.point:
        yield one.point.partition(".")[0]
        return
    behind = of.transducers.controller[of.loops.has[one.column]]
    yield from dict.fromkeys(of.controllers.ids[k] for k in behind.tolist())


def _ints(values: Sequence[int]) -> NDArray[np.int64]:
    return np.array(values, dtype=np.int64)
