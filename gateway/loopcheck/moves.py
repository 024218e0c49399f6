"""How a check moves on: an event and a run enter, the run after it leaves.

`advance` is the only way a run changes, live and when it is read back from the store alike.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import reduce, singledispatch

from .events import (
    Abandoned,
    Applied,
    Begun,
    Decided,
    Event,
    Finished,
    Noted,
    Paused,
    Recorded,
    Repeated,
    Resumed,
    Skipped,
)
from .run import CheckError, Conclude, Measure, Run, due

WHILE_PAUSED = (Noted, Resumed, Abandoned)


def replay(events: Iterable[Event]) -> Run:
    """The run that events come to; CheckError when they make none."""
    first, *rest = events
    if not isinstance(first, Begun):
        raise CheckError(f"{type(first).__name__.lower()} before begun")
    return reduce(advance, rest, Run(first))


def advance(run: Run, event: Event) -> Run:
    """The run after an event; CheckError, with what can be done, when it does not fit."""
    if run.ended is not None:
        raise CheckError(f"the check is over ({run.ended.kind})")
    if run.paused is not None and not isinstance(event, WHILE_PAUSED):
        raise CheckError("the check is paused; allowed: go on, or abandon it")
    return _move(event, run)


@singledispatch
def _move(event: Event, _run: Run) -> Run:
    raise CheckError(f"{type(event).__name__.lower()}: the check has begun already")


@_move.register
def _(event: Noted, run: Run) -> Run:
    return replace(run, notes=(*run.notes, event))


@_move.register
def _(event: Abandoned, run: Run) -> Run:
    return replace(run, ended=event, applied=None)


@_move.register
def _(event: Paused, run: Run) -> Run:
    return replace(run, paused=event, applied=None)


@_move.register
def _(_event: Resumed, run: Run) -> Run:
    if run.paused is None:
        raise CheckError("the check is not paused")
    return replace(run, paused=None, applied=None)


@_move.register
def _(event: Applied, run: Run) -> Run:
    step = _due_step(run, event.step)
    if strange := set(event.shown) - set(run.step(step).apply):
        raise CheckError(f"{min(strange)}: nothing is applied to it in {step}")
    return replace(run, applied=event)


@_move.register
def _(event: Recorded, run: Run) -> Run:
    step = _due_step(run, event.step)
    return replace(run, recorded={**run.recorded, step: event}, applied=None)


@_move.register
def _(event: Skipped, run: Run) -> Run:
    step = _due_step(run, event.step)
    return replace(run, skipped={**run.skipped, step: event}, applied=None)


def _due_step(run: Run, step: str) -> str:
    """The step, if it is the one that is due."""
    task = run.task
    if not isinstance(task, Measure) or task.step.key != step:
        raise CheckError(f"{step}: not what is due; allowed: {due(task)}")
    return step


@_move.register
def _(event: Repeated, run: Run) -> Run:
    run.step(event.step)
    old = run.recorded.get(event.step)
    if old is None and event.step not in run.skipped:
        raise CheckError(f"{event.step}: nothing was recorded for it yet")
    return replace(
        run,
        recorded={key: one for key, one in run.recorded.items() if key != event.step},
        skipped={key: one for key, one in run.skipped.items() if key != event.step},
        void=run.void if old is None else (*run.void, (old, event.reason)),
        applied=None,
    )


@_move.register
def _(event: Decided, run: Run) -> Run:
    """Also once more, when as left is still not as wanted: those readings then do not count."""
    key = event.transducer
    _may_decide(run, key, adjusted=event.adjusted)
    part = f"as-left/{key}/"
    old = [one for name, one in run.recorded.items() if name.startswith(part)]
    return replace(
        run,
        decided={**run.decided, key: event},
        adjustments=(*run.adjustments, event),
        recorded={n: one for n, one in run.recorded.items() if not n.startswith(part)},
        skipped={n: one for n, one in run.skipped.items() if not n.startswith(part)},
        void=(*run.void, *((one, "adjusted once more") for one in old)),
        applied=None,
    )


def _may_decide(run: Run, key: str, *, adjusted: bool) -> None:
    if key not in run.plan.transducers:
        raise CheckError(f"{key}: allowed: {', '.join(run.plan.transducers)}")
    if run.plan.only_as_found:
        raise CheckError(f"{key}: this check only looks, as found")
    missing = next((s for s in run.steps() if s.transducer == key and not run.done(s)), None)
    if missing is not None:
        raise CheckError(f"{key}: not read through yet; allowed: {missing.key}")
    if run.adjusted(key) and not adjusted:
        raise CheckError(f"{key}: it was adjusted already; allowed: adjust it once more")


@_move.register
def _(event: Finished, run: Run) -> Run:
    if not isinstance(run.task, Conclude):
        raise CheckError(f"there is more to do; allowed: {due(run.task)}, or skip it")
    return replace(run, ended=event)
