"""The HTTP interface for acting on alarms: a person whom `door.py` lets in.

Everything is done through `live.alarms`: when the answer comes, the action is in the journal on
disk, and pages, MQTT and BACnet show it.
"""

from __future__ import annotations

import asyncio
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Header, Request
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from gateway.alarm import actions
from gateway.alarm.actions import LONGEST_SHELF_S, Action
from gateway.alarm.performance import DAY_S
from gateway.alarm.states import RefusedError
from gateway.errors import Fault, StoreError
from gateway.people.names import LONGEST, name, seen
from gateway.views import iso

from .alarms import known
from .board import AlarmNow, OutView
from .door import CSRF, Admission
from .refusals import RefusalError, documented, unknown
from .sources import FromApp, Sources
from .trends import TIMES, seconds

LONGEST_REASON = 500
LONGEST_OUT_DAYS = 366.0
"""Work that takes longer is a change of the site file (our own choice)."""

bearer = HTTPBearer(
    auto_error=False,
    description="The token that the gateway made at its first start: the file http-token in its "
    "state folder.",
)


async def admitted(
    request: Request,
    sources: FromApp,
    given: Annotated[HTTPAuthorizationCredentials | None, Depends(bearer)],
    _csrf: Annotated[
        str | None, Header(alias=CSRF, description="Of whoever has signed in; not with the token.")
    ] = None,
) -> Admission:
    """Let in who has signed in, or has the token; RefusalError for everybody else."""
    return sources.door.admit(request, given.credentials if given else None)


Who = Annotated[Admission, Depends(admitted)]
"""A route's parameter of this type is filled in: who acts."""


router = APIRouter(
    tags=["actions"],
    dependencies=[Depends(admitted)],
    responses=documented(401, 403, 404, 409, 411, 413, 422, 429, 503),
)


def _why(text: str) -> str:
    reason = seen(text)
    if not reason:
        raise ValueError("a few words that others will understand")
    return reason


Person = Annotated[
    str,
    Field(
        max_length=LONGEST,
        description="Who acts: the name of a person, without brackets. With the token it must be "
        "given; whoever has signed in acts in their own name.",
        # For whoever reads the description; `name` says in words what is wrong.
        json_schema_extra={"minLength": 1, "pattern": r"^[^()\x00-\x20][^()\x00-\x1f]*$"},
    ),
    AfterValidator(name),
]
Remark = Annotated[
    str, Field(max_length=LONGEST_REASON, description="For the journal."), AfterValidator(seen)
]
Reason = Annotated[
    str,
    Field(
        max_length=LONGEST_REASON,
        description="Why, for others.",
        json_schema_extra={"minLength": 1, "pattern": r"^[^\x00-\x20][^\x00-\x1f]*$"},
    ),
    AfterValidator(_why),
]


class Deed(BaseModel):
    """Who does it, and why."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    person: Person | None = None
    reason: Remark = ""


class Acknowledgement(Deed):
    """Seen, and which activation of it."""

    onset: str | None = Field(
        default=None, max_length=40, description="`onset` as it was seen: refused when the alarm "
        "has begun anew since."
    )  # fmt: skip


class Shelving(Deed):
    """Out of sight for a time."""

    reason: Reason
    minutes: float = Field(
        gt=0, le=LONGEST_SHELF_S / 60, description="Then it comes back by itself."
    )


class Removal(Deed):
    """Work on a transducer or a loop; one of `minutes` and `until`."""

    reason: Reason
    minutes: float | None = Field(
        default=None, gt=0, le=LONGEST_OUT_DAYS * DAY_S / 60, description="How long."
    )
    until: str | None = Field(default=None, max_length=40, description=TIMES)

    @model_validator(mode="after")
    def _one_end(self) -> Removal:
        if (self.minutes is None) == (self.until is None):
            raise ValueError("one of minutes and until")
        return self


@router.post("/alarms/{alarm_id}/acknowledge")
async def acknowledge(sources: FromApp, who: Who, alarm_id: str, deed: Acknowledgement) -> AlarmNow:
    """Seen: somebody takes care of it."""
    onset = known(sources, alarm_id).onset
    if deed.onset is not None and deed.onset != onset:
        allowed = f"{onset}: it has begun anew since" if onset else "nothing: it is at rest by now"
        raise RefusalError(409, Fault("body.onset", deed.onset, allowed))
    return await _done(
        sources, actions.acknowledge(alarm_id, who.acts_as(deed.person), deed.reason)
    )


@router.post("/alarms/{alarm_id}/reset")
async def reset(sources: FromApp, who: Who, alarm_id: str, deed: Deed) -> AlarmNow:
    """Let go of an alarm that latches, when its condition is gone and it is acknowledged."""
    return await _done(sources, actions.reset(alarm_id, who.acts_as(deed.person), deed.reason))


@router.post("/alarms/{alarm_id}/shelve")
async def shelve(sources: FromApp, who: Who, alarm_id: str, shelving: Shelving) -> AlarmNow:
    """Out of sight for a time, at most a day; it is watched and journalled all the same."""
    until = sources.clock() + 60 * shelving.minutes
    return await _done(
        sources, actions.shelve(alarm_id, who.acts_as(shelving.person), shelving.reason, until)
    )


@router.post("/alarms/{alarm_id}/unshelve")
async def unshelve(sources: FromApp, who: Who, alarm_id: str, deed: Deed) -> AlarmNow:
    """Back before its time is over."""
    return await _done(sources, actions.unshelve(alarm_id, who.acts_as(deed.person), deed.reason))


@router.post("/transducers/{transducer_id}/out-of-service")
async def transducer_out(
    sources: FromApp, who: Who, transducer_id: str, removal: Removal
) -> list[OutView]:
    """Work on a transducer: status function check, its alarms out of sight. All that is out."""
    return await _out(sources, who, "transducer", transducer_id, removal)


@router.post("/transducers/{transducer_id}/back-in-service")
async def transducer_back(
    sources: FromApp, who: Who, transducer_id: str, deed: Deed
) -> list[OutView]:
    """Work on a transducer is done and tested. All that is out of service then."""
    return await _back(sources, who, "transducer", transducer_id, deed)


@router.post("/loops/{loop_id}/out-of-service")
async def loop_out(sources: FromApp, who: Who, loop_id: str, removal: Removal) -> list[OutView]:
    """Work on a loop, and on the transducers that serve no other. All that is out of service."""
    return await _out(sources, who, "loop", loop_id, removal)


@router.post("/loops/{loop_id}/back-in-service")
async def loop_back(sources: FromApp, who: Who, loop_id: str, deed: Deed) -> list[OutView]:
    """Work on a loop is done and tested. All that is out of service then."""
    return await _back(sources, who, "loop", loop_id, deed)


class Reasoned(Deed):
    """With a reason."""

    reason: Reason


class WishView(BaseModel):
    """What was asked for; done within seconds, and then in the journal."""

    loop: str
    reason: str
    person: str


@router.post("/loops/{loop_id}/relearn")
async def relearn(sources: FromApp, who: Who, loop_id: str, deed: Reasoned) -> WishView:
    """After work on a loop: forget what was learnt of it, and begin anew."""
    _of_site(sources, "loop", loop_id)
    person = who.acts_as(deed.person)
    if sources.relearn is None:
        raise RefusalError(503, Fault("relearn", "nothing is learnt here", "a running gateway"))
    try:
        await asyncio.to_thread(sources.relearn, loop_id, deed.reason, person)
    except OSError as error:
        raise RefusalError(503, Fault(loop_id, str(error.strerror), "a later try")) from None
    return WishView(loop=loop_id, reason=deed.reason, person=person)


Kind = Literal["transducer", "loop"]


async def _out(
    sources: Sources, who: Admission, kind: Kind, subject: str, removal: Removal
) -> list[OutView]:
    _of_site(sources, kind, subject)
    now, until = sources.clock(), 0.0
    if removal.until is not None:
        until = seconds(removal.until, "body.until")
        if not now < until <= now + LONGEST_OUT_DAYS * DAY_S:
            allowed = f"after {iso(now)}, and within {LONGEST_OUT_DAYS:.0f} days"
            raise RefusalError(422, Fault("body.until", removal.until, allowed))
    elif removal.minutes is not None:
        until = now + 60 * removal.minutes
    action = actions.out_of_service(
        kind, subject, who.acts_as(removal.person), removal.reason, until
    )
    await _act(sources, action, "back-in-service")
    return sources.board.out()


async def _back(
    sources: Sources, who: Admission, kind: Kind, subject: str, deed: Deed
) -> list[OutView]:
    _of_site(sources, kind, subject)
    action = actions.return_to_service(kind, subject, who.acts_as(deed.person), deed.reason)
    await _act(sources, action, "out-of-service")
    return sources.board.out()


def _of_site(sources: Sources, kind: Kind, subject: str) -> None:
    site = sources.live.site
    nouns = site.loops if kind == "loop" else site.transducers
    if subject not in nouns:
        raise unknown(f"{kind}s", subject, nouns)


async def _done(sources: Sources, action: Action) -> AlarmNow:
    before = known(sources, action.target)
    await _act(sources, action, ", ".join(before.actions) or "nothing, as it stands")
    return known(sources, action.target)


async def _act(sources: Sources, action: Action, otherwise: str) -> None:
    """Do it; RefusalError: 409 as things stand it cannot be, 503 it cannot be recorded."""
    try:
        await sources.live.alarms.act(action)
    except RefusedError as error:
        said, _, allowed = str(error).partition("; allowed: ")
        path, _, why = said.partition(": ")
        raise RefusalError(409, Fault(path, why, allowed or otherwise)) from None
    except StoreError as error:
        raise RefusalError(503, Fault(action.target, str(error), "a later try")) from None
