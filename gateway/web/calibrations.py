"""The HTTP interface on a transducer's calibration history, from the records of loop checks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter
from pydantic import BaseModel, Field

from gateway.record import checks as kept
from gateway.views import iso

from .records import asked, the_checks
from .refusals import documented, unknown
from .sources import FromApp

router = APIRouter(tags=["loop checks"])


class SideView(BaseModel):
    """A transducer by its own reading, before or after an adjustment; errors in % of span."""

    verdict: str
    worst: float | None = Field(description="Largest error at any point, with its sign.")
    zero: float | None = Field(description="Error at zero pressure, by the straight line.")
    span: float | None = Field(description="Error over the whole span, by the straight line.")
    tolerance: float


class CalibrationView(BaseModel):
    """What one record says of the transducer."""

    number: int = Field(description="Of the record.")
    finished: str
    loop: str
    person: str
    scheme: str
    reference: str = Field(description="What the pressure was measured with; empty: not given.")
    adjusted: bool
    as_found: SideView | None
    as_left: SideView | None = Field(description="null where nothing was adjusted.")


class CalibrationsView(BaseModel):
    """Newest first."""

    stated: str | None = Field(description="Day of the last calibration in the site file.")
    due: str | None = Field(description="When the next check is due; null: no time is set.")
    overdue: bool
    checks: list[CalibrationView]


@router.get("/transducers/{transducer_id}/calibrations", responses=documented(404, 503))
async def calibrations(sources: FromApp, transducer_id: str) -> CalibrationsView:
    """Every loop check that a transducer was in: how it was found and how it was left."""
    known = sources.live.site.transducers
    if transducer_id not in known:
        raise unknown("transducers", transducer_id, known)
    found = await asked(sources, lambda c: kept.calibrations(c, transducer_id))
    stated = known[transducer_id].calibrated
    due = next((d for d in the_checks(sources).due if d.transducer == transducer_id), None)
    return CalibrationsView(
        stated=stated.isoformat() if stated else None,
        due=None if due is None or due.at is None else iso(due.at),
        overdue=due is not None and due.overdue,
        checks=[_view(one) for one in found],
    )


def _view(one: kept.Calibration) -> CalibrationView:
    left = one.what["as_left"]
    return CalibrationView(
        number=one.number, finished=iso(one.time_ms / 1000), loop=one.loop, person=one.person,
        scheme=one.scheme, reference=one.reference or "", adjusted=one.what["adjusted"],
        as_found=_side(one.what["as_found"]["input"]),
        as_left=_side(left["input"]) if left else None,
    )  # fmt: skip


def _side(told: Mapping[str, Any] | None) -> SideView | None:
    if told is None:
        return None
    errors = [point["error"] for point in told["points"] if point["error"] is not None]
    line = told["line"]
    return SideView(
        verdict=told["verdict"],
        worst=max(errors, key=abs, default=None),
        zero=line["zero"]["error"] if line else None,
        span=line["span"]["error"] if line else None,
        tolerance=told["tolerance"],
    )
