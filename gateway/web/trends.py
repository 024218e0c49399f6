"""Trends for drawing: several series side by side on one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from math import isfinite
from typing import Annotated

import numpy as np
from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, Field

from gateway.errors import Fault
from gateway.measure.blocks import Floats
from gateway.measure.quality import Quality
from gateway.plant.site import Site
from gateway.plant.units import PASCALS
from gateway.record.layout import QUANTITIES
from gateway.record.trends import Trend
from gateway.views import number, quality_word

from .packing import packed
from .refusals import RefusalError, documented, unknown
from .sources import FromApp, Sources

SPAN_S = 600.0
"""Seconds up to `to` when `from` is left out."""
QUALITY_WORDS = [quality_word(code) for code in Quality]
MOST_SERIES = 24
MOST_BUCKETS = 2000
LAST_S = 253_402_300_799.0
"""End of the year 9999."""
TIMES = "ISO 8601 (UTC when it has no offset), or seconds since 1970; from 1970 to the year 9999"

router = APIRouter(tags=["history"])


class SeriesView(BaseModel):
    """One series; its lists are as long as `time` of the answer, null where there is nothing."""

    series: str
    unit: str
    width_s: float = Field(description="Width of a bucket; 0: every row as it is.")
    count: list[int] = Field(description="Readings in the bucket.")
    mean: list[float | None]
    min: list[float | None]
    max: list[float | None]
    deviation: list[float | None] = Field(
        description="Standard deviation of the readings in the bucket; null too where it is not "
        "known."
    )
    quality: list[str] = Field(description='Worst in the bucket; "bad" where nothing was recorded.')


class HistoryView(BaseModel):
    """Series on one time axis."""

    from_s: float = Field(description="Start, seconds since 1970.")
    to_s: float = Field(description="End, not included.")
    time: list[float] = Field(description="Starts of buckets, seconds since 1970.")
    series: list[SeriesView]


def seconds(text: str, path: str) -> float:
    """A time from an address; RefusalError (422) when it is none."""
    try:
        value = float(text)
    except ValueError:
        try:
            stamp = datetime.fromisoformat(text)
        except ValueError:
            raise RefusalError(422, Fault(path, repr(text[:100]), TIMES)) from None
        value = (stamp if stamp.tzinfo else stamp.replace(tzinfo=UTC)).timestamp()
    if not isfinite(value) or not 0 <= value <= LAST_S:
        raise RefusalError(422, Fault(path, repr(text[:100]), TIMES))
    return value


def span(start: str | None, end: str | None) -> tuple[float | None, float | None]:
    """Both ends of an open span from an address; RefusalError (422) when it has no inside."""
    first = seconds(start, "query.from") if start is not None else None
    last = seconds(end, "query.to") if end is not None else None
    if first is not None and last is not None and not first < last:
        raise RefusalError(422, Fault("query.from", f"{start} with to={end}", "from before to"))
    return first, last


def units(site: Site) -> dict[str, tuple[str, float]]:
    """Every series of the site: its unit, and what to divide the stored value by."""
    out = {f"transducer/{k}": (t.unit, PASCALS[t.unit]) for k, t in site.transducers.items()}
    for quantity in QUANTITIES:
        for key, loop in site.loops.items():
            if quantity == "output":
                unit = (site.point(loop.output).unit if loop.output else "", 1.0)
            elif quantity == "running":
                unit = ("", 1.0)
            else:
                unit = (site.loop_unit(key), PASCALS[site.loop_unit(key)])
            out[f"loop/{key}/{quantity}"] = unit
    return out


def beside(trends: Sequence[Trend]) -> Floats:
    """(n,) every time of any of them, rising."""
    return np.unique(np.concatenate([trend.time for trend in trends]))


def series_view(name: str, unit: str, factor: float, trend: Trend, time: Floats) -> SeriesView:
    """One trend on the common axis, in its display unit."""
    at = np.searchsorted(time, trend.time)
    n = len(time)
    count = np.zeros(n, dtype=np.int64)
    worst = np.full(n, Quality.BAD, dtype=np.uint8)
    count[at], worst[at] = trend.count, trend.worst
    lines = []
    for values in (trend.mean, trend.low, trend.high, trend.deviation):
        line = np.full(n, np.nan)
        line[at] = values / factor
        lines.append([number(value) for value in line.tolist()])
    return SeriesView(
        series=name, unit=unit, width_s=trend.width, count=count.tolist(),
        mean=lines[0], min=lines[1], max=lines[2], deviation=lines[3],
        quality=[QUALITY_WORDS[code] for code in worst.tolist()],
    )  # fmt: skip


def period(sources: Sources, start: str | None, end: str | None) -> tuple[float, float]:
    """Both ends of a period from an address: 10 minutes up to now unless it says otherwise.

    RefusalError (422) when it has no inside.
    """
    last = seconds(end, "query.to") if end is not None else sources.framing.until()
    first = seconds(start, "query.from") if start is not None else last - SPAN_S
    if not first < last:
        fault = Fault("query.from", f"{first} with to={last}", "from before to")
        raise RefusalError(422, fault)
    return first, last


@router.get("/history", response_model=HistoryView, responses=documented(404, 422, 503))
async def history(
    request: Request,
    sources: FromApp,
    series: Annotated[
        list[str],
        Query(
            min_length=1,
            max_length=MOST_SERIES,
            description="`transducer/<id>`, or `loop/<id>/` and one of combined, feedback, "
            "setpoint, output, running; repeat it for several.",
        ),
    ],
    start: Annotated[
        str | None, Query(alias="from", description=f"{TIMES}. 10 minutes before `to`.")
    ] = None,
    end: Annotated[str | None, Query(alias="to", description=f"{TIMES}. Now.")] = None,
    buckets: Annotated[int, Query(ge=1, le=MOST_BUCKETS, description="Most buckets.")] = 600,
) -> Response:
    """Minimum, mean and maximum of each bucket, in display units.

    Every row as it is when there are no more of them than buckets.
    """  # fmt: skip
    known = units(sources.live.site)
    for name in series:
        if name not in known:
            raise unknown("query.series", name[:200], known)
    first, last = period(sources, start, end)
    return await packed(request, lambda: _drawn(sources, series, first, last, buckets))


def _drawn(
    sources: Sources, series: Sequence[str], first: float, last: float, buckets: int
) -> HistoryView:
    """In a thread: 100,000 numbers would hold up the polls."""
    known = units(sources.live.site)
    trends = sources.past.trends(series, first, last, buckets)
    time = beside(trends)
    return HistoryView(
        from_s=first,
        to_s=last,
        time=[round(t, 3) for t in time.tolist()],
        series=[
            series_view(name, *known[name], trend, time)
            for name, trend in zip(series, trends, strict=True)
        ],
    )
