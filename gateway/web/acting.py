"""The HTTP interface for acting on alarms: a named person with the token of `gate.py`.

Everything is done through `live.alarms`: when the answer comes, the action is in the journal on
disk, and pages, MQTT and BACnet show it.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Request
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from gateway.alarm import actions
from gateway.alarm.actions import LONGEST_SHELF_S, Action
from gateway.alarm.performance import DAY_S
from gateway.alarm.states import RefusedError
from gateway.errors import Fault, StoreError
from gateway.views import iso

from .alarms import known
from .board import AlarmNow, OutView
from .refusals import RefusalError, documented, unknown
from .sources import FromApp, Sources
from .trends import TIMES, seconds

LONGEST_NAME, LONGEST_REASON = 80, 500
LONGEST_OUT_DAYS = 366.0
"""Work that takes longer is a change of the site file (our own choice)."""
# Line ends, and characters that turn the order of what is read, would let a text pose as another.
UNSEEN = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069]")
RESERVED = ("gateway", "local")
"""Names under which the program itself stands in the journal; protocols stand in brackets."""

bearer = HTTPBearer(
    auto_error=False,
    description="The token that the gateway made at its first start: the file http-token in its "
    "state folder.",
)


async def admitted(
    request: Request,
    sources: FromApp,
    given: Annotated[HTTPAuthorizationCredentials | None, Depends(bearer)],
) -> None:
    """Let in who has the token; RefusalError for everybody else."""
    address = request.client.host if request.client else ""
    sources.gate.admit(address, given.credentials if given else None)


router = APIRouter(
    tags=["actions"],
    dependencies=[Depends(admitted)],
    responses=documented(401, 403, 404, 409, 411, 413, 422, 429, 503),
)


def _plain(text: str) -> str:
    if UNSEEN.search(text):
        raise ValueError("one line of letters, digits and signs that can be seen")
    return text.strip()


def _name(text: str) -> str:
    name = _plain(text)
    if not name or name.casefold() in RESERVED or set(name) & set("()"):
        raise ValueError(
            f"the name of a person: 1 to {LONGEST_NAME} characters, without brackets, not "
            + " or ".join(RESERVED)
        )
    return name


def _why(text: str) -> str:
    reason = _plain(text)
    if not reason:
        raise ValueError("a few words that others will understand")
    return reason


Person = Annotated[
    str,
    Field(
        max_length=LONGEST_NAME,
        description="Who acts: the name of a person, without brackets.",
        # For whoever reads the description; `_name` says in words what is wrong.
        json_schema_extra={"minLength": 1, "pattern": r"^[^()\x00-\x20][^()\x00-\x1f]*$"},
    ),
    AfterValidator(_name),
]
Remark = Annotated[
    str, Field(max_length=LONGEST_REASON, description="For the journal."), AfterValidator(_plain)
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

    person: Person
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
async def acknowledge(sources: FromApp, alarm_id: str, deed: Acknowledgement) -> AlarmNow:
    """Seen: somebody takes care of it."""
    onset = known(sources, alarm_id).onset
    if deed.onset is not None and deed.onset != onset:
        allowed = f"{onset}: it has begun anew since" if onset else "nothing: it is at rest by now"
        raise RefusalError(409, Fault("body.onset", deed.onset, allowed))
    return await _done(sources, actions.acknowledge(alarm_id, deed.person, deed.reason))


@router.post("/alarms/{alarm_id}/reset")
async def reset(sources: FromApp, alarm_id: str, deed: Deed) -> AlarmNow:
    """Let go of an alarm that latches, when its condition is gone and it is acknowledged."""
    return await _done(sources, actions.reset(alarm_id, deed.person, deed.reason))


@router.post("/alarms/{alarm_id}/shelve")
async def shelve(sources: FromApp, alarm_id: str, shelving: Shelving) -> AlarmNow:
    """Out of sight for a time, at most a day; it is watched and journalled all the same."""
    until = sources.clock() + 60 * shelving.minutes
    return await _done(sources, actions.shelve(alarm_id, shelving.person, shelving.reason, until))


@router.post("/alarms/{alarm_id}/unshelve")
async def unshelve(sources: FromApp, alarm_id: str, deed: Deed) -> AlarmNow:
    """Back before its time is over."""
    return await _done(sources, actions.unshelve(alarm_id, deed.person, deed.reason))


@router.post("/transducers/{transducer_id}/out-of-service")
async def transducer_out(sources: FromApp, transducer_id: str, removal: Removal) -> list[OutView]:
    """Work on a transducer: status function check, its alarms out of sight. All that is out."""
    return await _out(sources, "transducer", transducer_id, removal)


@router.post("/transducers/{transducer_id}/back-in-service")
async def transducer_back(sources: FromApp, transducer_id: str, deed: Deed) -> list[OutView]:
    """Work on a transducer is done and tested. All that is out of service then."""
    return await _back(sources, "transducer", transducer_id, deed)


@router.post("/loops/{loop_id}/out-of-service")
async def loop_out(sources: FromApp, loop_id: str, removal: Removal) -> list[OutView]:
    """Work on a loop, and on the transducers that serve no other. All that is out of service."""
    return await _out(sources, "loop", loop_id, removal)


@router.post("/loops/{loop_id}/back-in-service")
async def loop_back(sources: FromApp, loop_id: str, deed: Deed) -> list[OutView]:
    """Work on a loop is done and tested. All that is out of service then."""
    return await _back(sources, "loop", loop_id, deed)


Kind = Literal["transducer", "loop"]


async def _out(sources: Sources, kind: Kind, subject: str, removal: Removal) -> list[OutView]:
    _of_site(sources, kind, subject)
    now, until = sources.clock(), 0.0
    if removal.until is not None:
        until = seconds(removal.until, "body.until")
        if not now < until <= now + LONGEST_OUT_DAYS * DAY_S:
            allowed = f"after {iso(now)}, and within {LONGEST_OUT_DAYS:.0f} days"
            raise RefusalError(422, Fault("body.until", removal.until, allowed))
    elif removal.minutes is not None:
        until = now + 60 * removal.minutes
    action = actions.out_of_service(kind, subject, removal.person, removal.reason, until)
    await _act(sources, action, "back-in-service")
    return sources.board.out()


async def _back(sources: Sources, kind: Kind, subject: str, deed: Deed) -> list[OutView]:
    _of_site(sources, kind, subject)
    action = actions.return_to_service(kind, subject, deed.person, deed.reason)
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
