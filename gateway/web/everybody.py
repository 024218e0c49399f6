"""Who may sign in and who has: for administrators. Changing people is for the command line."""

from __future__ import annotations

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field

from gateway.errors import Fault
from gateway.people.names import LONGEST
from gateway.people.roles import Role

from .acting import Who, admitted
from .door import BY_TOKEN
from .refusals import RefusalError, documented
from .sources import FromApp

LOCAL = BY_TOKEN.format("somebody")
"""Who signs people out where no name is given."""

router = APIRouter(
    prefix="/people",
    tags=["session"],
    dependencies=[Depends(admitted)],
    responses=documented(401, 403, 429),
)


class PersonView(BaseModel):
    """One of them."""

    name: str
    role: Role
    signed_in: int = Field(description="Browsers on which this person is signed in now.")


@router.get("")
async def everybody(sources: FromApp) -> list[PersonView]:
    """Who may sign in, with what role, and who has."""
    counts = sources.door.sessions.counts()
    return [
        PersonView(name=one.name, role=one.role, signed_in=counts.get(one.name, 0))
        for one in sources.door.people().people
    ]


@router.post("/{person}/sign-out", responses=documented(404, 411, 413, 422))
async def sign_out(sources: FromApp, who: Who, person: str) -> list[PersonView]:
    """Sign somebody out on every browser: a phone was lost, a screen was left. Everybody then."""
    found = sources.door.people().of(person[:LONGEST])
    if found is None:
        # Names are for whoever may ask for the list, and these may.
        known = ", ".join(one.name for one in sources.door.people().people)
        raise RefusalError(404, Fault("people", f"{person!r:.100} is not known", known or "nobody"))
    by = who.session.name if who.session else LOCAL
    sources.door.sessions.end_all(found.name, f"signed out by {by}")
    return await everybody(sources)
