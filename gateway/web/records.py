"""The HTTP interface on records of loop checks: the list, one as data or as PDF, the chain."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter
from fastapi import Path as InPath
from fastapi.responses import Response
from pydantic import BaseModel, Field

from gateway.checking.checks import Checks
from gateway.errors import Fault
from gateway.paper.record import record_pdf
from gateway.record import checks as kept
from gateway.record.opening import reader
from gateway.views import iso

from .past import ask
from .refusals import RefusalError, documented
from .sources import FromApp, Sources

T = TypeVar("T")
Number = Annotated[int, InPath(ge=1, le=2**53, description="As it stands on the record.")]

router = APIRouter(prefix="/checks/records", tags=["loop checks"])


class RecordLine(BaseModel):
    """One record in the list."""

    number: int
    name: str = Field(description="Of the check that it ended.")
    loop: str
    finished: str
    verdict: str = Field(description="pass, not proved or fail; as left.")
    as_found: str
    hash: str


class RecordsView(BaseModel):
    """Records, newest first."""

    records: list[RecordLine]
    broken: list[str] = Field(description="What is wrong with the chain; empty: it is whole.")


class DueView(BaseModel):
    """A transducer with a time between checks."""

    transducer: str
    every_days: int
    last: str | None = Field(description="When it was last known to be right; null: never.")
    due: str | None = Field(description="null: at once.")
    overdue: bool


@router.get("/due", responses=documented(503))
async def due(sources: FromApp) -> list[DueView]:
    """What is due for a check and when, the most urgent first; by `check_every_days`."""
    return [
        DueView(
            transducer=one.transducer,
            every_days=one.every_days,
            last=None if one.last is None else iso(one.last),
            due=None if one.at is None else iso(one.at),
            overdue=one.overdue,
        )
        for one in the_checks(sources).due
    ]


@router.get("", responses=documented(503))
async def records(sources: FromApp) -> RecordsView:
    """Every record, and whether their chain is whole."""
    lines, broken = await asked(sources, lambda c: (kept.records(c), kept.broken(c)))
    return RecordsView(
        records=[
            RecordLine(
                number=one.number, name=one.run, loop=one.loop, finished=iso(one.time_ms / 1000),
                verdict=one.verdict, as_found=one.as_found, hash=one.hash,
            )
            for one in lines
        ],
        broken=broken,
    )  # fmt: skip


@router.get("/{number}", responses=documented(404, 503))
async def record(sources: FromApp, number: Number) -> dict[str, Any]:
    """A record as data, with its hash. Times are seconds since 1970."""
    body, hash_ = await _record(sources, number)
    return {**body, "hash": hash_}


@router.get(
    "/{number}/pdf",
    response_class=Response,
    responses=documented(404, 409, 503) | {200: {"content": {"application/pdf": {}}}},
)
async def printed(sources: FromApp, number: Number) -> Response:
    """A record as PDF/A: the very bytes that were made of it first."""
    pdf = await asked(sources, lambda c: kept.printed(c, number))
    if pdf is None:
        body, hash_ = await _record(sources, number)
        if not kept.is_as_made(body, hash_):
            said = f"record {number} was changed after it was made"
            raise RefusalError(409, Fault("number", said, "it as data; no paper under its hash"))
        pdf = await asyncio.to_thread(record_pdf, body, hash_)
        await the_checks(sources).store.ask(kept.keep_printed, number, pdf)
    name = f"loop-check-{sources.live.site.site.id}-{number}.pdf"
    headers = {"Content-Disposition": f'inline; filename="{name}"'}
    return Response(pdf, media_type="application/pdf", headers=headers)


async def _record(sources: Sources, number: int) -> tuple[Any, str]:
    found = await asked(sources, lambda c: kept.record(c, number))
    if found is None:
        newest = await asked(sources, lambda c: len(kept.records(c)))
        allowed = f"1 to {newest}" if newest else "there is none yet"
        raise RefusalError(404, Fault("number", str(number), allowed))
    return found


def the_checks(sources: Sources) -> Checks:
    """The loop checks; RefusalError (503) where there are none."""
    if sources.checks is None:
        raise RefusalError(503, Fault("checks", "not made here", "on a running gateway"))
    return sources.checks


async def asked(sources: Sources, question: Callable[[sqlite3.Connection], T]) -> T:
    """What the history file says, in a thread; RefusalError (503) when it cannot be read."""
    file = the_checks(sources).store.file

    def asked() -> T:
        with reader(file) as connection:
            return question(connection)

    return await ask(asked)
