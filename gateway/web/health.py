"""Is the gateway doing its work? For supervisors and container engines."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, Field

from .frame import fresh_within, interval_of
from .refusals import documented
from .sources import FromApp

router = APIRouter()


class HealthView(BaseModel):
    """Whether rows flow."""

    ok: bool
    reason: str = Field(description="Empty when all is well.")
    row_age_s: float | None = Field(description="Age of the latest row; null before the first.")
    fresh_within_s: float
    troubles: dict[str, str] = Field(
        description="What is wrong with the gateway itself while it goes on watching, in words: "
        "history-not-recorded, history-set-aside, archive-not-written, clock-stepped."
    )


@router.get(
    "/healthz",
    tags=["operation"],
    responses={503: {"model": HealthView, "description": "No fresh row."}, **documented(401, 429)},
)
async def healthz(request: Request, sources: FromApp, response: Response) -> HealthView:
    """200 while the latest row is younger than a few intervals, else 503 and the reason.

    Where looking needs a person, whoever has not signed in is told no reasons.

    A controller that does not answer is no failure of the gateway: its silence makes rows too. Nor
    is a disk that is full: a new start would not make room, and would cost rows.
    """
    site, age = sources.live.site, sources.framing.age()
    limit = fresh_within(site)
    reason = ""
    if age is None:
        reason = "no row yet"
    elif age > limit:
        reason = f"no row for {age:.1f} s; one is due every {interval_of(site):g} s"
    response.status_code = 503 if reason else 200
    if not sources.door.may_look(request):
        return HealthView(ok=not reason, reason="", row_age_s=None, fresh_within_s=limit,
                          troubles={})  # fmt: skip
    return HealthView(
        ok=not reason,
        reason=reason,
        row_age_s=round(age, 3) if age is not None else None,
        fresh_within_s=limit,
        troubles=dict(sources.live.latest.troubles) if sources.live.latest else {},
    )
