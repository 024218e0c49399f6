"""The HTTP interface on the condition of a transducer: offset, rest, scatter, and its drift."""

from __future__ import annotations

from math import ceil, isfinite
from typing import Annotated

import numpy as np
from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, Field

from gateway.diagnose.trend import DAY_S, Rate
from gateway.measure.blocks import Floats
from gateway.plant.units import PASCALS
from gateway.views import iso, number

from .differences import UNLIKE
from .drift import Faring, coarser, drift_of, faring, left_alone, rates_of
from .packing import packed
from .refusals import documented, unknown
from .sources import FromApp, Sources

YEAR_DAYS = 365.25
BUCKETS = 400
HOUR_S = 3600.0
MOST_HOURS = 20_000
"""Hours that are looked at, one by one; of them BUCKETS are made."""
MOST_DAYS = 3660.0

router = APIRouter(tags=["history"])


class DriftView(BaseModel):
    """How fast the offset changes, by Theil-Sen with its interval by ranks."""

    per_year: float
    low: float = Field(description="Lower end of the 95 % interval.")
    high: float
    real: bool = Field(description="The interval leaves zero out.")
    leaves: str | None = Field(
        description="When the offset leaves the tolerance if it goes on so from the last that is "
        "known; null: not in 50 years, or the drift is not real."
    )


class RatesView(BaseModel):
    """How the drift rate went, each over the third of the time before it; lists alike long."""

    time: list[float] = Field(description="Seconds since 1970.")
    per_year: list[float]
    low: list[float] = Field(description="Lower ends of the 95 % intervals.")
    high: list[float]


class ConditionView(BaseModel):
    """How a transducer fared against the others of its loop, in its unit.

    Lists are as long as `time`; null where nothing is known.
    """

    unit: str
    loop: str | None = Field(description="Against whose others; null: there are none.")
    others: list[str]
    from_s: float
    to_s: float
    tolerance: float = Field(description="Error that the loop can live with, from the site file.")
    usual: float | None = Field(description="Offset as learnt while nothing was wrong.")
    usual_noise: float | None = Field(description="Noise of single readings as learnt.")
    time: list[float] = Field(description="Starts of buckets, seconds since 1970.")
    offset: list[float | None] = Field(description="Own mean less the others', fan running.")
    rest: list[float | None] = Field(description="Own mean with the fan off.")
    scatter: list[float | None] = Field(
        description="Standard deviation of the readings of a bucket, fan running."
    )
    others_scatter: list[float | None] = Field(description="The same of the others.")
    response: list[float | None] = Field(
        description="Scatter as a share of the others': how much of their movement it shows."
    )
    rates: RatesView
    drift: DriftView | None = Field(description="Null where there is too little to tell.")


@router.get(
    "/transducers/{transducer_id}/condition",
    response_model=ConditionView,
    responses=documented(404, 422, 503),
)
async def condition(
    request: Request,
    sources: FromApp,
    transducer_id: str,
    days: Annotated[float, Query(gt=0, le=MOST_DAYS, description="Up to now.")] = 90.0,
) -> Response:
    """How a transducer fared over the last days: what changes slowly."""
    site = sources.live.site
    if transducer_id not in site.transducers:
        raise unknown("transducers", transducer_id, site.transducers)
    return await packed(request, lambda: _condition(sources, transducer_id, days))


def _condition(sources: Sources, key: str, days: float) -> ConditionView:
    """In a thread."""
    site, end = sources.live.site, sources.framing.until()
    start = end - days * DAY_S
    noun = site.transducers[key]
    loop = next((k for k in site.loops_of(key) if site.loops[k].combine not in UNLIKE), None)
    members = site.loops[loop].transducers if loop else ()
    others = [k for k in members if k != key]
    names = [f"transducer/{k}" for k in (key, *others)]
    runs = [f"loop/{loop}/running"] if loop and site.loops[loop].running else []
    looked = _hours(start, end) if days * 24 > BUCKETS else (start, end, BUCKETS)
    trends = sources.past.trends([*names, *runs], *looked)
    made = faring(trends[0], trends[1 : len(names)], trends[-1] if runs else None)
    width = (looked[1] - looked[0]) / looked[2]
    made = left_alone(made, width, sources.past.checked((key, *others)))
    if looked[2] > BUCKETS:
        made = coarser(made, start, end, BUCKETS)
    pascals = PASCALS[noun.unit]
    learnt = sources.details.learnt_of(key, loop) if loop else None
    usual = learnt.offset if learnt and learnt.offset is not None else None
    tolerance = noun.tolerance_pct_span / 100 * noun.span_pa
    drift = drift_of(made.time, made.offset, (usual or 0.0) * pascals, tolerance)

    rates = rates_of(made.time, made.offset, start, end)

    def shown(values: Floats) -> list[float | None]:
        return [number(value) for value in (values / pascals).tolist()]

    return ConditionView(
        unit=noun.unit, loop=loop if others else None, others=others, from_s=start, to_s=end,
        tolerance=tolerance / pascals, usual=usual, usual_noise=sources.details.noise(key),
        time=made.time.tolist(), offset=shown(made.offset), rest=shown(made.rest),
        scatter=shown(made.scatter), others_scatter=shown(made.others),
        response=_response(made), rates=_rates(rates, pascals),
        drift=_drift(drift, pascals, last_known(made.time, made.offset, start, end))
        if drift else None,
    )  # fmt: skip


def _hours(start: float, end: float) -> tuple[float, float, int]:
    """A span of whole hours around it, and so many buckets that each is a whole hour, or some."""
    last = ceil(end / HOUR_S)
    each = ceil((last - start / HOUR_S) / MOST_HOURS)
    count = ceil((last - start / HOUR_S) / each)
    return (last - count * each) * HOUR_S, last * HOUR_S, count


def _response(made: Faring) -> list[float | None]:
    moves = np.isfinite(made.others) & (made.others > 0)
    share = np.divide(made.scatter, made.others, out=np.full(len(moves), np.nan), where=moves)
    return [number(value) for value in share.tolist()]


def _rates(made: list[tuple[float, Rate]], pascals: float) -> RatesView:
    a_year = YEAR_DAYS / pascals
    return RatesView(
        time=[at for at, _ in made],
        per_year=[one.per_day * a_year for _, one in made],
        low=[one.low * a_year for _, one in made],
        high=[one.high * a_year for _, one in made],
    )


def last_known(time: Floats, offset: Floats, start: float, end: float) -> float:
    """Middle of the last bucket that has an offset: days to the tolerance are counted from there.

    A fan that has stood for a month says nothing of that month.
    """
    there = time[np.isfinite(offset)]
    return min(end, float(there[-1]) + (end - start) / BUCKETS / 2) if len(there) else end


def _drift(made: Rate, pascals: float, last: float) -> DriftView:
    a_year = YEAR_DAYS / pascals
    real = made.low > 0 or made.high < 0
    soon = real and isfinite(made.days_left) and made.days_left < 50 * YEAR_DAYS
    return DriftView(
        per_year=made.per_day * a_year, low=made.low * a_year, high=made.high * a_year, real=real,
        leaves=iso(last + made.days_left * DAY_S) if soon else None,
    )  # fmt: skip
