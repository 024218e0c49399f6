"""The HTTP interface for loop checks: begin, say what was done, look; records.

Nothing here writes to a controller. Whatever is answered with 200 is on disk.
"""

from __future__ import annotations

from collections.abc import Awaitable
from typing import Any

from fastapi import APIRouter, Depends
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from gateway.alarm.states import RefusedError
from gateway.checking.checks import Checks, Open
from gateway.errors import Fault, StoreError
from gateway.loopcheck import cautions, events
from gateway.loopcheck.asking import loops_disturbed
from gateway.loopcheck.plan import Plan
from gateway.loopcheck.run import CheckError

from .acting import Deed, Person, Reason, Remark, Who, admitted
from .checkviews import CheckView, check_view
from .door import Admission
from .records import the_checks
from .refusals import RefusalError, documented, unknown
from .sources import FromApp, Sources

router = APIRouter(prefix="/checks", tags=["loop checks"])
deeds = APIRouter(
    prefix="/checks",
    tags=["loop checks"],
    dependencies=[Depends(admitted)],
    responses=documented(401, 403, 404, 409, 411, 413, 422, 429, 503),
)


class Beginning(Plan):
    """What is wanted, and by whom."""

    person: Person | None = None


class OfStep(Deed):
    """About one step."""

    step: str = Field(max_length=200, description="`step` as the check shows it.")


class Shown(OfStep):
    """The pressure stands."""

    shown: dict[str, float] = Field(
        default_factory=dict, max_length=20, description="What the reference shows, in the unit of "
        "the transducer, where it is not exactly what was asked for.",
    )  # fmt: skip


class LeftOut(OfStep):
    """A step that is not taken."""

    reason: Reason


class Adjustment(Deed):
    """After a transducer was read as found."""

    transducer: str = Field(max_length=80)
    adjusted: bool
    notes: Remark = ""


class Ending(Deed):
    """Without a record."""

    reason: Reason


class Note(BaseModel):
    """Anything worth keeping."""

    model_config = ConfigDict(extra="forbid")

    person: Person | None = None
    text: Reason


class ChecksView(BaseModel):
    """Open checks, and what to take care of before one begins."""

    open: list[CheckView]
    cautions: list[str]


class EndView(BaseModel):
    """A check that is over. record: its number, null where there is none."""

    name: str
    record: int | None


@router.get("", responses=documented(503))
async def open_checks(sources: FromApp) -> ChecksView:
    """Checks that are neither finished nor abandoned."""
    found = [check_view(one) for one in _loaded(sources).open.values()]
    return ChecksView(open=found, cautions=list(cautions.BEFORE))


@router.get("/open/{name}", responses=documented(404, 503))
async def one_check(sources: FromApp, name: str) -> CheckView:
    """One of them."""
    return check_view(_open(sources, name))


@router.get("/cautions/{loop_id}", responses=documented(404))
async def cautions_of(sources: FromApp, loop_id: str) -> list[str]:
    """What to take care of before a loop is checked; other loops that it disturbs."""
    site = sources.live.site
    if loop_id not in site.loops:
        raise unknown("loops", loop_id, site.loops)
    serves = {key: site.loops_of(key) for key in site.loops[loop_id].transducers}
    return [*cautions.BEFORE, *loops_disturbed(loop_id, serves)]


@deeds.post("")
async def begin(sources: FromApp, who: Who, wanted: Beginning) -> CheckView:
    """Begin a check; its loop and transducers go out of service until it is over."""
    plan = Plan.model_validate(wanted.model_dump(exclude={"person"}))
    return check_view(await _done(the_checks(sources).begin(plan, who.acts_as(wanted.person))))


@deeds.post("/open/{name}/applied")
async def applied(sources: FromApp, who: Who, name: str, deed: Shown) -> CheckView:
    """The pressure stands; the reading is taken by itself once it is still."""
    return await _tell(sources, who, name, events.Applied, deed, step=deed.step, shown=deed.shown)


@deeds.post("/open/{name}/take")
async def take(sources: FromApp, who: Who, name: str, deed: Deed) -> CheckView:
    """Take the reading as it is, though it does not count as settled."""
    _open(sources, name)
    return check_view(
        await _done(the_checks(sources).force(name, who.acts_as(deed.person), deed.reason))
    )


@deeds.post("/open/{name}/repeat")
async def repeat(sources: FromApp, who: Who, name: str, deed: OfStep) -> CheckView:
    """Take a reading again; the old one stays in the record as not counting."""
    return await _tell(
        sources, who, name, events.Repeated, deed, step=deed.step, reason=deed.reason
    )


@deeds.post("/open/{name}/skip")
async def skip(sources: FromApp, who: Who, name: str, deed: LeftOut) -> CheckView:
    """Leave a step out; what it would have proved is then not proved."""
    return await _tell(sources, who, name, events.Skipped, deed, step=deed.step, reason=deed.reason)


@deeds.post("/open/{name}/decide")
async def decide(sources: FromApp, who: Who, name: str, deed: Adjustment) -> CheckView:
    """Say whether a transducer was adjusted, and what was done."""
    return await _tell(
        sources, who, name, events.Decided, deed,
        transducer=deed.transducer, adjusted=deed.adjusted, notes=deed.notes,
    )  # fmt: skip


@deeds.post("/open/{name}/note")
async def note(sources: FromApp, who: Who, name: str, deed: Note) -> CheckView:
    """Keep a remark."""
    return await _tell(sources, who, name, events.Noted, deed, text=deed.text)


@deeds.post("/open/{name}/pause")
async def pause(sources: FromApp, who: Who, name: str, deed: Deed) -> CheckView:
    """Read nothing until somebody goes on; it stays out of service."""
    return await _tell(sources, who, name, events.Paused, deed, reason=deed.reason)


@deeds.post("/open/{name}/resume")
async def resume(sources: FromApp, who: Who, name: str, deed: Deed) -> CheckView:
    """Go on; what is applied has to be said again."""
    return await _tell(sources, who, name, events.Resumed, deed)


@deeds.post("/open/{name}/finish")
async def finish(sources: FromApp, who: Who, name: str, deed: Deed) -> EndView:
    """End it with a record. reason: remarks for the record."""
    _open(sources, name)
    event = _event(sources, who, events.Finished, deed, remarks=deed.reason)
    ended = await _done(the_checks(sources).tell(name, event))
    return EndView(name=name, record=ended.record)


@deeds.post("/open/{name}/abandon")
async def abandon(sources: FromApp, who: Who, name: str, deed: Ending) -> EndView:
    """End it without a record; what was read stays in the history file."""
    _open(sources, name)
    event = _event(sources, who, events.Abandoned, deed, reason=deed.reason)
    await _done(the_checks(sources).tell(name, event))
    return EndView(name=name, record=None)


def _loaded(sources: Sources) -> Checks:
    """The checks, once it is known what was open before: "none is open" is not said too early."""
    checks = the_checks(sources)
    if not checks.loaded:
        said = "what was open before is not read yet"
        raise RefusalError(503, Fault("checks", said, "a little later"))
    return checks


def _open(sources: Sources, name: str) -> Open:
    known = _loaded(sources).open
    if name not in known:
        raise unknown("checks", name[:100], known)
    return known[name]


async def _tell(
    sources: Sources,
    who: Admission,
    name: str,
    kind: type[events.Event],
    deed: Deed | Note,
    **about: Any,
) -> CheckView:
    _open(sources, name)
    event = _event(sources, who, kind, deed, **about)
    return check_view(await _done(the_checks(sources).tell(name, event)))


def _event(
    sources: Sources, who: Admission, kind: type[events.Event], deed: Deed | Note, **about: Any
) -> events.Event:
    try:
        return kind(time=sources.clock(), person=who.acts_as(deed.person), **about)
    except ValidationError as error:
        first = error.errors()[0]
        path = ".".join(map(str, ("body", *first["loc"])))
        raise RefusalError(422, Fault(path, repr(first["input"])[:100], first["msg"])) from None


async def _done(work: Awaitable[Open]) -> Open:
    """Do it; 409 when it does not fit as things stand, 503 when it cannot be kept."""
    try:
        return await work
    except (CheckError, RefusedError) as error:
        said, _, allowed = str(error).partition("; allowed: ")
        raise RefusalError(409, Fault("check", said, allowed or "nothing of that kind")) from None
    except StoreError as error:
        raise RefusalError(503, Fault("check", str(error), "a later try")) from None
