"""An open loop check as other programs see it: what to do next, how it stands, what was read."""

from __future__ import annotations

from math import isfinite

from pydantic import BaseModel, Field

from gateway.checking.checks import Open
from gateway.loopcheck.asking import asked, to_read_right
from gateway.loopcheck.body import SOURCES
from gateway.loopcheck.feedback import table
from gateway.loopcheck.judging import Judgement, Point, judgement
from gateway.loopcheck.mistakes import combined_range, mistakes
from gateway.loopcheck.plan import Plan
from gateway.loopcheck.run import Decide, Measure, Run
from gateway.loopcheck.steps import Part, Step
from gateway.paper.figures import places_for
from gateway.views import iso, number


class InputView(BaseModel):
    """One input in the latest row; pressures in `unit`."""

    id: str
    unit: str
    places: int = Field(description="Digits after the point that its pressures deserve.")
    pressure: float | None
    percent: float | None
    counts: float | None
    electrical: float | None
    electrical_unit: str
    controller_value: float | None
    bad: str = Field(description="Why it cannot be used; empty when it can.")


class ErrorView(BaseModel):
    """What one source makes of one reading; error in % of span."""

    shown: float | None
    error: float | None
    ends: bool = Field(
        description="At an end of the input, where an error beyond it does not show.",
    )
    beyond: float | None = Field(description="There: by the line of the other readings.")
    verdict: str


class ReadView(BaseModel):
    """One step that was read or left out."""

    step: str
    part: str
    transducer: str = Field(description="Empty in the combined part.")
    point: float | None = Field(description="% of span; null in the combined part.")
    direction: str
    unit: str = Field(description="Of the transducer; in the combined part of the loop.")
    places: int = Field(description="Digits after the point that its pressures deserve.")
    applied: float | None = Field(description="Combined: what the combination must give.")
    input: ErrorView | None = Field(description="By our own reading; combined: our own pressure.")
    controller: ErrorView | None = Field(description="By the controller; combined: its feedback.")
    forced: str = Field(description="Why it did not count as settled, where a person took it.")
    skipped: str = Field(description="Why it was left out.")


class SummaryView(BaseModel):
    """A transducer read through; errors in % of span."""

    transducer: str
    part: str
    source: str
    verdict: str
    worst: float | None
    tolerance: float
    adjust: bool = Field(description="Above the limit from which it should be adjusted.")
    zero: float | None
    span: float | None
    range_low: float | None = Field(description="To enter as range, so that it reads right.")
    range_high: float | None
    unit: str
    advice: str = Field(description="What makes it read right; empty where nothing has to be done.")


class MistakeView(BaseModel):
    """Something that is set or wired wrongly."""

    fault: str
    subject: str
    words: str


class CheckView(BaseModel):
    """An open check."""

    name: str
    loop: str
    unit: str = Field(description="Of the combined part.")
    plan: Plan
    person: str
    begun: str
    paused: str | None = Field(description="Why; null while it is not.")
    task: str = Field(description="measure, decide or conclude.")
    step: str = Field(description="Key of the reading that is due.")
    transducer: str
    asked: str = Field(description="What to do next, in words.")
    applied: bool = Field(description="Whether somebody has said that it stands.")
    apply: dict[str, float] = Field(description="Pressure at each transducer, in its own unit.")
    why: str = Field(description="Why the reading is not taken yet; empty: it is being taken.")
    look: bool = Field(description="Waiting alone will not help.")
    trouble: str = Field(description="Why it could not be written.")
    done: int
    steps: int
    inputs: list[InputView]
    read: list[ReadView]
    summaries: list[SummaryView]
    mistakes: list[MistakeView]


def check_view(one: Open) -> CheckView:
    """One open check."""
    run, task, step = one.run, one.run.task, one.step
    steps = list(run.steps())
    return CheckView(
        name=one.name,
        loop=run.plan.loop,
        unit=run.facts.unit,
        plan=run.plan,
        person=run.begun.person,
        begun=iso(run.begun.time),
        paused=(run.paused.reason or "paused") if run.paused else None,
        task="measure" if step else "decide" if isinstance(task, Decide) else "conclude",
        step=step.key if step else "",
        transducer=_about(task, step),
        asked=asked(run.facts, task),
        applied=run.applied is not None,
        apply=dict(step.apply) if step else {},
        why=one.settling.why if step else "",
        look=one.settling.asks,
        trouble=one.trouble,
        done=sum(run.done(s) for s in steps),
        steps=len(steps),
        inputs=_inputs(one),
        read=read_views(run),
        summaries=_summaries(run),
        mistakes=[MistakeView(**vars(found)) for found in mistakes(run)],
    )


def _about(task: object, step: Step | None) -> str:
    return task.transducer if isinstance(task, Decide) else step.transducer if step else ""


def _inputs(one: Open) -> list[InputView]:
    if one.latest is None:
        return []
    facts = one.run.facts
    return [
        InputView(
            id=key,
            unit=noun.unit,
            places=places_for(noun.range),
            pressure=number(now.pressure),
            percent=number(facts.percent(key, now.pressure)),
            counts=number(now.counts, 9),
            electrical=number(now.electrical),
            electrical_unit=noun.sends().unit,
            controller_value=None if now.controller_value is None else number(now.controller_value),
            bad=now.bad,
        )
        for key, noun in facts.transducers.items()
        if (now := one.latest.inputs[key])
    ]


def read_views(run: Run) -> list[ReadView]:
    """Every step that was read or left out, in order."""
    errors = {
        (part, key, source): judgement(run, part, key, source)
        for part in (Part.AS_FOUND, Part.AS_LEFT)
        for key in run.plan.transducers
        for source in SOURCES
        if part is Part.AS_FOUND or run.adjusted(key)
    }
    points = {
        (point.step.key, source): _of_point(point)
        for (_, _, source), found in errors.items()
        if found
        for point in found.points
    }
    of_loop = {line.step.key: line for line in lines.lines} if (lines := table(run)) else {}
    out = []
    for step in (s for s in run.steps() if run.done(s)):
        read, line = run.recorded.get(step.key), of_loop.get(step.key)
        ours, theirs = points.get((step.key, "input")), points.get((step.key, "controller"))
        if line:
            ours = _of_loop(line.ours, "")
            theirs = _of_loop(line.feedback, line.verdict or "")
        applied = line.expected if line else read.applied[step.transducer] if read else None
        out.append(
            ReadView(
                step=step.key, part=step.part.value, transducer=step.transducer,
                point=step.point if step.transducer else None, direction=step.direction,
                unit=_unit(run, step), places=_places(run, step),
                applied=applied, input=ours, controller=theirs,
                forced=read.forced if read else "",
                skipped=run.skipped[step.key].reason if step.key in run.skipped else "",
            )
        )  # fmt: skip
    return out


def _unit(run: Run, step: Step) -> str:
    return run.facts.transducers[step.transducer].unit if step.transducer else run.facts.unit


def _places(run: Run, step: Step) -> int:
    if step.transducer:
        return places_for(run.facts.transducers[step.transducer].range)
    return places_for(combined_range(run.facts))


def _of_point(point: Point) -> ErrorView:
    return ErrorView(
        shown=number(point.shown),
        error=number(point.error),
        ends=point.limited,
        beyond=number(point.beyond.error) if point.beyond else None,
        verdict=point.verdict.value,
    )


def _of_loop(shown: float | None, verdict: str) -> ErrorView | None:
    if shown is None or not isfinite(shown):
        return None
    return ErrorView(shown=number(shown), error=None, ends=False, beyond=None, verdict=verdict)


def _summaries(run: Run) -> list[SummaryView]:
    """Of transducers that are read through."""
    waiting = run.task.step if isinstance(run.task, Measure) else None
    found: list[SummaryView] = []
    for key in run.plan.transducers:
        part = Part.AS_LEFT if run.adjusted(key) else Part.AS_FOUND
        if waiting is not None and waiting.transducer == key and waiting.part is part:
            continue
        ours = judgement(run, part, key, "input")
        judged = (judgement(run, part, key, source) for source in SOURCES)
        found += [_summary(run, one, ours) for one in judged if one and ours]
    return found


def _summary(run: Run, one: Judgement, ours: Judgement) -> SummaryView:
    line, proposed = one.line, one.proposal
    return SummaryView(
        transducer=one.transducer,
        part=one.part.value,
        source=one.source,
        verdict=one.verdict.value,
        worst=number(one.figures.worst),
        tolerance=one.tolerance,
        adjust=one.adjust,
        zero=number(line.zero.error) if line else None,
        span=number(line.span.error) if line else None,
        range_low=number(proposed.range_low) if proposed else None,
        range_high=number(proposed.range_high) if proposed else None,
        unit=run.facts.transducers[one.transducer].unit,
        advice=to_read_right(run.facts, one, ours),
    )
