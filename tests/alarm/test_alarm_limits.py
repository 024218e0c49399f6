"""Limits: strict, delayed, with a deadband on the way back only; whose pressure counts."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarm.definitions import Change, Definitions
from gateway.alarm.limits import Limits, Pressures, Standing
from gateway.measure.blocks import Floats
from gateway.measure.columns import columns
from gateway.measure.measure import Measure
from gateway.measure.quality import Quality
from tests.alarm.alarm_plant import START, Watch, finding, plant, rows, steps
from tests.sites import block, site, transducer

pytestmark = pytest.mark.slow

LIMITED = plant(limits={"low": 20, "high": 80})


def limits(on: float, off: float, band: float) -> Limits:
    """High 80 Pa and low 20 Pa, in that order."""
    change = Change(on_delay_s=on, off_delay_s=off, deadband_Pa=band)
    faults = {"pressure-high": change, "pressure-low": change}
    return Limits(columns(LIMITED), Definitions(LIMITED, faults).limits())


def follow(here: Limits, values: Floats, step: float = 0.1, start: float = 0.0) -> np.ndarray:
    """(rows, 2) high and low."""
    time: Floats = start + step * np.arange(len(values), dtype=np.float64)
    pressure = np.asarray(values, dtype=np.float64)[:, None]
    return here.follow(time, pressure, np.ones(pressure.shape, dtype=np.bool_))


# ASHRAE 135 clause 13.3.6 (OUT_OF_RANGE) as exercised by running bacpypes3 0.0.110: high 80,
# low 20, deadband 5, time delay 1 s, time delay normal 2 s. (value, seconds it is held, state
# after it, seconds after its begin at which it changed or None.)
VECTORS = [
    (80.00, 1.5, "normal", None),
    (80.01, 0.6, "normal", None),
    (79.00, 1.2, "normal", None),
    (81.00, 1.5, "high", 1.0),
    (75.00, 2.6, "high", None),
    (74.99, 2.6, "normal", 2.0),
    (81.00, 0.6, "normal", None),
    (79.00, 0.1, "normal", None),
    (81.00, 1.5, "high", 1.0),
    (10.00, 0.9, "high", None),
    (10.00, 1.5, "low", None),
]


@pytest.mark.parametrize(("unit", "ends"), [("Pa", (-25, 100)), ("inH2O", (-0.5, 0.5))])
def test_counts_that_stand_for_the_limit_itself_are_not_beyond_it(
    unit: str, ends: tuple[float, float]
) -> None:
    """A hundredth of 4 to 20 mA is 0.16 mA: 160 counts of 20000 for 20 mA, to the count.

    Strictly beyond, by ASHRAE 135 clause 13.3.6: a count more passes a high limit, a count less a
    low one, whatever binary fractions make of the hundredths of the range.
    """
    card = {"counts": [0, 20000], "electrical": [0, 20], "unit": "mA"}
    one = transducer("a.c1", range=list(ends), unit=unit, input=card)
    for percent in range(5, 96, 3):
        at = round(ends[0] + (ends[1] - ends[0]) * percent / 100, 9)
        loop = {"transducers": ["p1"], "combine": "single", "limits": {"low": at, "high": at + 1}}
        low = site({"p1": one}, {"l": loop})
        high = site({"p1": one}, {"l": loop | {"limits": {"low": at - 1, "high": at}}})
        for here, name, beyond in ((low, "pressure-low", -1), (high, "pressure-high", 1)):
            for more, expected in ((0, False), (beyond, True)):
                counts = np.full(40, 4000.0 + 160 * percent + more)
                readings = Measure(here).examine(block(here, {"a.c1": counts.tolist()}))
                made = [d for d in Definitions(here).limits() if d.fault == name]
                passed = Limits(columns(here), made).follow(
                    readings.time, readings.combined, readings.fresh
                )
                assert passed[-1].tolist() == [expected], (name, at, more)


def test_out_of_range_vectors_of_the_standard() -> None:
    here = limits(1, 2, 5)
    now = 0.0
    for value, held, expected, after in VECTORS:
        count = round(held / 0.1)
        got = follow(here, np.full(count, value), start=now)
        now += held
        high, low = got[-1]
        # High and low are alarms of their own here: directly from one to the other both may stand.
        if expected == "normal":
            assert (high, low) == (False, False), value
        else:
            assert {"high": high, "low": low}[expected], value
        if after is not None:
            changed = np.flatnonzero(got[1:, 0] != got[:-1, 0]) + 1
            assert changed.tolist() == [round(after / 0.1)], value


def reference(
    values: list[float], on: float, off: float, band: float
) -> list[bool]:  # one row a second
    """A high limit at 80 Pa, written as the clause reads: timers that restart."""
    active, since = False, None
    out = []
    for now, value in enumerate(values):
        wants = value < 80 - band if active else value > 80
        since = (now if since is None else since) if wants else None
        if since is not None and now - since >= (off if active else on):
            active, since = not active, None
            # The timer of the other way starts with this very row if its condition holds.
            wants = value < 80 - band if active else value > 80
            since = now if wants else None
        out.append(active)
    return out


pressures = st.lists(st.sampled_from([60.0, 74.9, 75.0, 77.0, 80.0, 80.1, 90.0]), min_size=1)


@given(pressures, st.integers(1, 5), st.integers(1, 5), st.integers(1, 9))
def test_limits_against_the_clause_and_however_cut(
    values: list[float], on: int, off: int, cut: int
) -> None:
    here = limits(on, off, 5)
    got: list[bool] = []
    for a in range(0, len(values), cut):
        part = np.array(values[a : a + cut])
        got += follow(here, part, step=1.0, start=float(a))[:, 0].tolist()
    assert got == reference(values, on, off, 5)


@given(st.lists(st.floats(75.0, 200.0), min_size=1, max_size=60))
def test_an_alarm_never_chatters_inside_its_deadband(values: list[float]) -> None:
    here = limits(1, 1, 5)
    assert follow(here, np.array([90.0, 90.0, 90.0]), step=1.0)[-1, 0]
    got = follow(here, np.array(values), step=1.0, start=3.0)
    assert got[:, 0].all()


@given(
    st.lists(st.sampled_from([50.0, 85.0]), min_size=5, max_size=200),
    st.sampled_from([0.0, 5.0, 15.0]),
    st.sampled_from([1.0, 15.0]),
)
def test_at_most_one_activation_in_on_and_off_delay(
    values: list[float], on: float, off: float
) -> None:
    got = follow(limits(on, off, 5), np.array(values), step=1.0)[:, 0]
    begins = np.flatnonzero(np.diff(got.astype(int), prepend=0) > 0)
    assert (np.diff(begins) >= on + off).all()


def test_a_hole_in_the_readings_starts_the_delay_again() -> None:
    here = limits(15, 15, 2.5)
    time = np.array([0.0, 5.0, 10.0, 40.0, 45.0, 54.0, 55.0])
    pressure = np.full((7, 1), 90.0)
    got = here.follow(time, pressure, np.ones((7, 1), dtype=np.bool_))
    assert got[:, 0].tolist() == [False] * 6 + [True]


def test_nothing_is_known_without_a_new_reading() -> None:
    here = limits(0, 0, 2.5)
    time, pressure = np.arange(4.0), np.array([[50.0], [90.0], [np.nan], [90.0]])
    fresh = np.array([[True], [False], [True], [True]])
    assert here.follow(time, pressure, fresh)[:, 0].tolist() == [False, False, False, True]


def test_limits_are_alarms_after_fifteen_seconds_and_gone_after_fifteen() -> None:
    # Starting delay for pressure 15 s: from memory; deadband 2 % of span: secondary texts.
    watch = Watch(LIMITED)
    high = np.full(100, 50.0)
    high[10:50] = 95
    said = watch.see(rows(LIMITED, {"p0-0a": high, "p0-0b": high}))
    assert steps(said) == [
        (25, "pressure-high:l0-0", "alarm", "active unacknowledged"),
        (65, "pressure-high:l0-0", "return to normal", "returned unacknowledged"),
    ]
    assert said[0].message == "Pressure above 80 Pa: 95 Pa at first"


def test_the_door_alarm_says_its_force() -> None:
    # F = Fdc + W A dP / (2 (W - d)): New York City Building Code 909.6.2, secondary texts. Here
    # 40 + 0.91 x 1.9383 x 95 / (2 x 0.835) = 140.3 N.
    here = plant(door=True)
    watch = Watch(here)
    high = np.full(40, 95.0)
    said = watch.see(rows(here, {"p0-0a": high, "p0-0b": high}))
    assert [t.alarm for t in said] == ["door-force:l0-0"]
    assert "140.3 N at 95 Pa" in said[0].message
    assert said[0].priority == "high"


def test_a_failed_member_does_not_count() -> None:
    # An open wire reads -56 Pa: the average would be low, the pressure is 60 Pa.
    watch = Watch(LIMITED)
    dead = np.full(200, -56.25)
    assert watch.see(rows(LIMITED, {"p0-0a": dead, "p0-0b": np.full(200, 60.0)})) == []


def test_a_member_under_a_finding_of_failure_does_not_count() -> None:
    # A tube that is off reads a good 0 Pa; the average is 10 Pa, below 20 Pa. What is left is
    # 25 Pa. The finding comes before the limit's delay is over.
    watch = Watch(LIMITED)
    part = rows(LIMITED, {"p0-0a": np.zeros(100), "p0-0b": np.full(100, 25.0)})
    said = watch.see(part, [finding(LIMITED, "tube-off", "p0-0a", at=10)])
    assert [t.alarm for t in said] == ["tube-off:p0-0a"]
    later = rows(LIMITED, {"p0-0a": np.zeros(100), "p0-0b": np.full(100, 25.0)}, start=START + 100)
    cleared = finding(LIMITED, "tube-off", "p0-0a", "cleared", at=100, since=10)
    assert "pressure-low:l0-0" in [t.alarm for t in watch.see(later, [cleared])]


@pytest.mark.parametrize(
    ("kind", "values", "expected"),
    [
        ("average", [30.0, np.nan, 50.0], 40.0),
        ("minimum", [30.0, np.nan, 50.0], 30.0),
        ("maximum", [30.0, np.nan, 50.0], 50.0),
        ("median", [30.0, np.nan, 50.0], 40.0),
        ("median", [np.nan, np.nan, 50.0], 50.0),
        ("sum", [30.0, np.nan, 50.0], np.nan),
        ("average", [np.nan, np.nan, np.nan], np.nan),
        ("minimum", [np.nan, np.nan, np.nan], np.nan),
        ("median", [np.nan, np.nan, np.nan], np.nan),
    ],
)
def test_what_the_others_make_together(kind: str, values: list[float], expected: float) -> None:
    names = {f"p{k}": transducer(f"a.c{k}") for k in (1, 2, 3)}
    here = site(names, {"loop": {"transducers": list(names), "combine": kind}})
    measure = Measure(here)
    readings = measure.examine(rows(here, {"p1": [50.0]}))
    pressure = np.array([values])
    bad = np.where(np.isnan(pressure), Quality.BAD, Quality.GOOD).astype(np.uint8)
    given_up = replace(
        readings, pressure=np.nan_to_num(pressure, nan=7.0), quality=bad, combined=np.array([[9.0]])
    )
    got, _ = Pressures(measure.columns.loops).of(given_up, None)
    assert got[0, 0] == pytest.approx(expected, nan_ok=True)


def test_a_fan_that_stands_suppresses_limits_until_it_has_had_time_to_start() -> None:
    watch = Watch(LIMITED)
    pressure, running = np.full(400, 50.0), np.ones(400)
    running[20:150], pressure[22:170] = 0, 1
    part = rows(LIMITED, {"p0-0a": pressure, "p0-0b": pressure}, {"l0-0": running})
    assert steps(watch.see(part)) == [
        (20, "pressure-high:l0-0", "suppress", "suppressed by design"),
        (20, "pressure-low:l0-0", "suppress", "suppressed by design"),
        (37, "pressure-low:l0-0", "alarm", "suppressed by design"),
        (185, "pressure-low:l0-0", "return to normal", "suppressed by design"),
        (270, "pressure-high:l0-0", "release", "normal"),
        (270, "pressure-low:l0-0", "release", "normal"),
    ]
    assert {t.reason for t in watch.said if t.event.value == "suppress"} == {"fan off"}


def test_a_fan_that_brings_no_pressure_is_an_alarm_after_its_time() -> None:
    watch = Watch(LIMITED)
    pressure, running = np.full(300, 1.0), np.ones(300)
    running[:50] = 0
    watch.see(rows(LIMITED, {"p0-0a": pressure, "p0-0b": pressure}, {"l0-0": running}))
    last = watch.said[-1]
    assert (last.alarm, last.time - START) == ("pressure-low:l0-0", 170)
    assert last.after == "active unacknowledged"


def test_a_door_is_looked_at_whether_the_fan_runs_or_not() -> None:
    here = plant(door=True, limits={"high": 60})
    watch = Watch(here)
    high = np.full(40, 95.0)
    watch.see(rows(here, {"p0-0a": high, "p0-0b": high}, {"l0-0": np.zeros(40)}))
    assert watch.shown() == ["door-force:l0-0"]


@given(st.lists(st.sampled_from([0.0, 1.0, float("nan")]), min_size=1, max_size=40),
       st.integers(1, 7))  # fmt: skip
def test_the_rule_however_cut(running: list[float], cut: int) -> None:
    time: Floats = 30.0 * np.arange(len(running), dtype=np.float64)
    values = np.array(running)[:, None]
    once = Standing(columns(LIMITED)).follow(time, values)
    parts = Standing(columns(LIMITED))
    edges = [*range(0, len(running), cut), len(running)]
    pieces = [parts.follow(time[a:b], values[a:b]) for a, b in itertools.pairwise(edges)]
    assert np.concatenate(pieces).tolist() == once.tolist()
