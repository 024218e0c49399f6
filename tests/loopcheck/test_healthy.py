"""A sound loop is never told that something is set or wired wrongly.

The loops of the demo with every combination that their inputs allow: transducers inside their
tolerance, noise, and a controller that rounds.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from gateway.demo.control import demo_site_path
from gateway.loopcheck.acceptance import Verdict
from gateway.loopcheck.body import whole
from gateway.loopcheck.events import Applied, Decided, Finished
from gateway.loopcheck.feedback import KINDS, made_of
from gateway.loopcheck.mistakes import mistakes
from gateway.loopcheck.moves import advance
from gateway.loopcheck.plan import Facts, facts
from gateway.loopcheck.reading import recorded
from gateway.loopcheck.run import Decide, Measure, Run
from gateway.loopcheck.settling import InputNow, Row
from gateway.loopcheck.steps import Step
from gateway.plant.sitefile import read_site
from gateway.plant.transducers import Transducer
from tests.loopcheck.made import ADA, START, begun, plan

pytestmark = pytest.mark.slow

SITE = read_site(demo_site_path())


def loop_of(name: str, combine: str) -> Facts:
    known = facts(SITE, name, "0.1.0")
    return known.model_copy(update={"loop": known.loop.model_copy(update={"combine": combine})})


def kinds_of(name: str) -> list[str]:
    count = len(SITE.loops[name].transducers)
    return [kind for kind in KINDS if kind != "difference" or count == 2]


def seen(noun: Transducer, pressure: float, rounding: float) -> InputNow:
    """What an input makes of a pressure: the card's whole counts, and it ends where it ends."""
    low, high = noun.range
    sends, card = noun.sends(), noun.input
    volts = card.shunt_ohm / 1000 if card.shunt_ohm else 1.0
    signal = sends.low + (sends.high - sends.low) * (pressure - low) / (high - low)
    share = (signal * volts - card.electrical[0]) / (card.electrical[1] - card.electrical[0])
    counts = round(card.counts[0] + (card.counts[1] - card.counts[0]) * min(max(share, 0.0), 1.0))
    share = (counts - card.counts[0]) / (card.counts[1] - card.counts[0])
    electrical = (card.electrical[0] + share * (card.electrical[1] - card.electrical[0])) / volts
    read = low + (high - low) * (electrical - sends.low) / (sends.high - sends.low)
    return InputNow(counts, electrical, read, round(read / rounding) * rounding)


class Room:
    """Transducers with their errors (zero, span: % of span), noise (% of span) and a controller."""

    def __init__(self, about: Facts, errors: list[tuple[float, float]], noise: float) -> None:
        self.about, self.noise = about, noise
        self.errors = dict(zip(about.transducers, errors, strict=False))
        self.dice = np.random.default_rng(1)

    def row(self, time: float, step: Step) -> Row:
        inputs, shown = {}, {}
        for key, noun in self.about.transducers.items():
            zero, span = self.errors[key]
            percent = self.about.percent(key, step.apply.get(key, 0.0))
            percent += zero + span * percent / 100 + self.dice.normal(0.0, self.noise)
            width = noun.range[1] - noun.range[0]
            inputs[key] = seen(noun, noun.range[0] + width * percent / 100, width / 5000)
            shown[key] = float(inputs[key].controller_value or 0.0)
        ours = made_of(
            self.about, self.about.loop.combine, {k: now.pressure for k, now in inputs.items()}
        )
        feedback = made_of(self.about, self.about.loop.combine, shown)
        return Row(time, inputs, combined=ours, feedback=feedback, setpoint=0.0)

    def read(self, run: Run, step: Step) -> Run:
        time = START + 10.0 * (1 + len(run.recorded))
        rows = [self.row(time + k, step) for k in range(6)]
        run = advance(run, Applied(time=time, person=ADA, step=step.key))
        return advance(run, recorded(step, {}, rows, rows, person=ADA))

    def checked(self, **wanted: Any) -> Run:
        members = tuple(self.about.transducers)
        run = begun(plan(loop="stair", transducers=members, combined=True, **wanted), self.about)
        while isinstance(run.task, Measure | Decide):
            if isinstance(run.task, Measure):
                run = self.read(run, run.task.step)
            else:
                key = run.task.transducer
                run = advance(run, Decided(time=START, person=ADA, transducer=key, adjusted=False))
        return advance(run, Finished(time=START, person=ADA))


# Zero and span together stay inside the tolerance of 2 % of the demo's transducers.
ERRORS = st.tuples(st.floats(-0.8, 0.8), st.floats(-0.8, 0.8))


@given(
    st.sampled_from([(name, kind) for name in SITE.loops for kind in kinds_of(name)]),
    st.lists(ERRORS, min_size=3, max_size=3),
    st.floats(0, 2.0),
    st.sampled_from(["five points", "three points", "zero"]),
)
def test_a_sound_loop_has_no_mistake_and_passes(
    where: tuple[str, str], errors: list[tuple[float, float]], noise: float, scheme: str
) -> None:
    run = Room(loop_of(*where), errors, noise).checked(scheme=scheme)
    assert mistakes(run) == ()
    if noise < 0.2:  # more than that is no reading of such a tolerance
        assert whole(run, ()) is not Verdict.FAIL


@given(
    st.sampled_from([
        (name, kind, other)
        for name in SITE.loops for kind in kinds_of(name) for other in kinds_of(name)
        if kind != other
    ]),
    st.lists(ERRORS, min_size=3, max_size=3),
)  # fmt: skip
def test_another_combination_is_named(
    which: tuple[str, str, str], errors: list[tuple[float, float]]
) -> None:
    """Whatever is set instead: except a median of two, which is their average."""
    name, kind, other = which
    about = loop_of(name, kind)
    two = len(about.transducers) == 2
    assume(not (two and {kind, other} == {"average", "median"}))
    room = Room(about, errors, 0.02)
    room.about = loop_of(name, other)
    run = room.checked(scheme="zero")
    run = Run(**{**vars(run), "begun": run.begun.model_copy(update={"facts": about})})
    (found,) = mistakes(run)
    assert (found.fault, found.subject) == ("combination-mismatch", "stair")
    named = "average" if two and other == "median" else other
    assert f"is not the {kind} of its inputs but" in found.words
    assert named in found.words.partition(" but ")[2]
