"""Small sites, plans, rows and whole checks for tests; the numbers are invented."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from gateway.loopcheck.events import Applied, Begun, Decided, Event, Finished, Recorded
from gateway.loopcheck.moves import advance
from gateway.loopcheck.plan import Facts, Plan, Reference, facts
from gateway.loopcheck.reading import recorded
from gateway.loopcheck.run import Decide, Measure, Run
from gateway.loopcheck.settling import InputNow, Row
from gateway.loopcheck.steps import Step
from gateway.measure.combine import combine
from gateway.plant.site import Site
from tests.sites import site, transducer

START = 1_780_000_000.0
ADA = "Ada Example"
Shown = Callable[[Step, str], float]
"""Pressure that an input reads in a step, from the step and its transducer."""


def checked_site(combine: str = "average", **changes: Any) -> Site:
    """Two -25..100 Pa transducers with the controller's own value of each."""
    points = {
        "c1": {"table": "input", "address": 0, "type": "uint16"},
        "c2": {"table": "input", "address": 1, "type": "uint16"},
        "v1": {"table": "holding", "address": 10, "type": "float32", "unit": "Pa"},
        "v2": {"table": "holding", "address": 12, "type": "float32", "unit": "Pa"},
        "feedback": {"table": "holding", "address": 0, "type": "float32", "unit": "Pa"},
        "setpoint": {"table": "holding", "address": 2, "type": "float32", "unit": "Pa"},
        "output": {"table": "holding", "address": 4, "type": "float32", "unit": "Hz"},
        "running": {"table": "holding", "address": 6, "type": "uint16"},
    }
    more = {"tolerance_pct_span": 1.0} | changes
    return site(
        {
            "p1": transducer("a.c1", controller_value="a.v1", location="Stair, level 3", **more),
            "p2": transducer("a.c2", controller_value="a.v2", **more),
        },
        {
            "stair": {
                "transducers": ["p1", "p2"], "combine": combine, "feedback": "a.feedback",
                "setpoint": "a.setpoint", "output": "a.output", "running": "a.running",
                "output_range": [0, 50],
            }
        },
        {"a": {"host": "127.0.0.1", "points": points}},
    )  # fmt: skip


def stair(combine: str = "average", **changes: Any) -> Facts:
    return facts(checked_site(combine, **changes), "stair", "0.1.0")


def plan(**changes: Any) -> Plan:
    told = {"identity": "Calibrator 7", "certificate": "C-1", "expanded": 0.1, "unit": "Pa"}
    wanted = {"loop": "stair", "transducers": ("p1",), "combined": False,
              "reference": Reference.model_validate(told)}  # fmt: skip
    return Plan.model_validate(wanted | changes)


def begun(the_plan: Plan | None = None, about: Facts | None = None) -> Run:
    return Run(Begun(time=START, person=ADA, plan=the_plan or plan(), facts=about or stair()))


def now(pressure: float, value: float | None = None, bad: str = "") -> InputNow:
    """An input of -25..100 Pa on 4-20 mA, 1250 counts a mA."""
    signal = 4 + 16 * (pressure + 25) / 125
    shown = pressure if value is None else value
    return InputNow(signal * 1250, signal, pressure, shown, bad)


def row(time: float, inputs: Mapping[str, InputNow], **loop: Any) -> Row:
    return Row(time, inputs, **loop)


def rows(
    n: int, pressures: Callable[[int], Mapping[str, float]], start: float = START
) -> list[Row]:
    """N rows, a second apart; pressures of the row's number."""
    return [
        row(start + k, {key: now(value) for key, value in pressures(k).items()}) for k in range(n)
    ]


def exact(step: Step, key: str) -> float:
    """Every input reads what is applied."""
    return step.apply.get(key, 0.0)


def read(
    run: Run,
    step: Step,
    ours: Shown = exact,
    theirs: Callable[[str, float], float] = lambda _key, pressure: pressure,
    combination: str = "average",
    **loop: Any,
) -> Recorded:
    """One reading of a step: what our inputs read, and what the controller makes of that."""
    import numpy as np  # noqa: PLC0415 - only here

    time = START + 10.0 * (1 + len(run.recorded) + len(run.void))
    seen = {key: ours(step, key) for key in run.facts.transducers}
    values = {key: theirs(key, pressure) for key, pressure in seen.items()}
    feedback = float(combine(combination, np.array(list(values.values()))))
    combined = float(combine(run.facts.loop.combine, np.array(list(seen.values()))))
    inputs = {key: now(pressure, values[key]) for key, pressure in seen.items()}
    told = {"combined": combined, "feedback": feedback, "setpoint": 40.0, "running": False} | loop
    found = [row(time + k, inputs, **told) for k in range(6)]
    return recorded(step, {}, found, found, person=ADA)


def whole(run: Run, *, adjusted: Mapping[str, Shown] | None = None, **reads: Any) -> Run:
    """A run to its end. adjusted: transducers adjusted, and what is read from then on."""
    adjusted = adjusted or {}
    while True:
        task, time = run.task, START + 10.0 * (2 + len(run.recorded))
        event: Event
        if isinstance(task, Measure):
            own = adjusted.get(task.step.transducer) if run.adjusted(task.step.transducer) else None
            event = read(run, task.step, **(reads | ({"ours": own} if own else {})))
            run = advance(run, Applied(time=time, person=ADA, step=task.step.key))
        elif isinstance(task, Decide):
            touched = task.transducer in adjusted
            event = Decided(time=time, person=ADA, transducer=task.transducer, adjusted=touched,
                            notes="zero turned" if touched else "")  # fmt: skip
        else:
            return advance(run, Finished(time=time, person=ADA))
        run = advance(run, event)
