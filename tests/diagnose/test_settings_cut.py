"""Setting and loop faults: the same findings however the history is cut into blocks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.measure.blocks import Block
from gateway.measure.quality import Reason
from tests.diagnose.watched import DOOR, air, polled, told, watched

pytestmark = pytest.mark.slow

ROWS = 850
HERE = watched(loop={"door": DOOR, "limits": {"low": 25, "high": 80}})


def history(seed: int) -> Block:
    """A busy loop: wrong scaling, swings, run-aways, stops, new set points, silence."""
    rng = np.random.default_rng(seed)
    t = np.arange(ROWS)
    begin = int(rng.integers(100, 250))
    level = np.full(ROWS, 50.0)
    output = 38 + air(ROWS, 0.0, seed=seed + 7)
    kind = rng.integers(0, 5)
    if kind == 0:
        level = level + np.where(t > begin, 9 * np.sin(t / 4), 0)
    elif kind == 1:
        away = np.clip((t - begin) / 60, 0, 1)
        level, output = level + 25 * away, output + 22 * away
    elif kind == 2:
        level, output = np.where(t > begin, 20.0, level), np.where(t > begin, 60.0, output)
    running = np.where((t > 700) & (t < 740), 0.0, 1.0)
    if kind == 3:
        running = np.where((t > begin) & (t % 70 < 5), 0.0, 1.0)
    one, two = air(ROWS, level * running, seed=seed), air(ROWS, level * running, seed=seed + 1)
    gain, offset = [(0.8, 20.0), (2.0, 25.0), (1.0, 0.0)][rng.integers(0, 3)]
    wrong = -25 + 1.25 * (gain * (one + 25) / 1.25 + offset)
    own = (np.where(t > begin, wrong, one), two)
    setpoint = np.where(t > begin + 350, rng.choice([50.0, 42.0, 90.0, 120.0]), 50.0)
    made = polled(
        HERE, (one, two), shown=own, setpoint=setpoint, output=output * running, running=running
    )
    reasons = np.zeros(made.values.shape, dtype=np.uint8)
    for _ in range(rng.integers(0, 4)):
        start, length = rng.integers(0, ROWS), rng.integers(1, 90)
        reasons[start : start + length] = rng.choice([Reason.NOT_DUE, Reason.NO_COMMUNICATION])
    time = made.time[0] + np.cumsum(rng.choice([1.0, 1.0, 1.0, 2.5], ROWS))
    return Block(time, np.where(reasons == Reason.NONE, made.values, np.nan), reasons)


@settings(max_examples=6)
@given(st.integers(0, 100_000), st.lists(st.integers(1, ROWS - 1), max_size=5))
def test_findings_do_not_depend_on_how_history_is_cut(seed: int, cuts: list[int]) -> None:
    whole = history(seed)
    assert told(HERE, whole, cuts) == told(HERE, whole)


def test_row_by_row_gives_the_same_and_there_is_something_to_find() -> None:
    whole = history(1)
    assert told(HERE, whole, list(range(575, 605))) == told(HERE, whole)
    faults = {f.fault for seed in range(6) for f in told(HERE, history(seed))}
    assert len(faults & {
        "live-zero-mismatch", "signal-mismatch", "hunting", "action-reversed", "output-saturated",
        "setpoint-not-held", "sleep-cycling", "setpoint-outside-range",
        "setpoint-above-safe-limit", "combination-mismatch",
    }) >= 5, faults  # fmt: skip
