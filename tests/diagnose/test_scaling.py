"""Wrong scaling of an input: named, in time, cleared after, and never where all is right."""

from __future__ import annotations

import numpy as np
import pytest

from gateway.diagnose.findings import Finding
from gateway.diagnose.scaling import PATIENCE
from gateway.measure.blocks import Floats
from tests.diagnose.watched import START, air, polled, said, told, watched

pytestmark = pytest.mark.slow

ROWS = 660


def shown(pressure: Floats, gain: float, offset: float) -> Floats:
    """Displayed = gain x true % + offset, of -25..100 Pa, in Pa."""
    return -25 + 1.25 * (gain * (pressure + 25) / 1.25 + offset)


def right(pressure: Floats) -> Floats:
    """What an exact controller makes of the counts."""
    return -25 + 125 * (np.round((4 + 0.128 * (pressure + 25)) * 1250) / 1250 - 4) / 16


def mismatches(found: list[Finding]) -> list[str]:
    """Faults of settings among findings."""
    return [f.fault for f in found if "mismatch" in f.fault or f.fault.startswith("percent")]


# Lines of the table of fault signatures (worked out from the ranges), on -25..100 Pa in Pa.
@pytest.mark.parametrize(
    ("gain", "offset", "fault", "words"),
    [
        (0.8, 20, "live-zero-mismatch", "4-20 mA taken for 0-20 mA"),
        (2.0, 25, "signal-mismatch", "500 ohm where 250 ohm is meant"),
        (0.5, -12.5, "signal-mismatch", "250 ohm where 500 ohm is meant"),
        (0.4, 10, "signal-mismatch", "4-20 mA on 250 ohm taken for 0-10 V"),
        (2 / 3, -25 / 3, "signal-mismatch", "500 ohm beside the input's own 250 ohm"),
        (0.10197, 17.9606, "unit-mismatch", "the number is in mmH2O"),
        (1.8, 0, "range-mismatch", "another range"),
        (-1.0, 100, "range-mismatch", "another range"),
    ],
)
def test_each_mistake_is_named(gain: float, offset: float, fault: str, words: str) -> None:
    one, two = air(ROWS), air(ROWS, 51, seed=2)
    own = (shown(right(one), gain, offset), right(two))
    found = told(watched(), polled(watched(), (one, two), shown=own, setpoint=float(own[0].mean())))
    mine = [f for f in found if f.subject == "p1"]
    assert said(mine) == [(fault, "p1", "raised")]
    evidence = mine[0].evidence
    assert mine[0].time - START <= 8 * 60
    assert evidence["fits"] == words
    error, sure = float(evidence["gain"]) - gain, float(evidence["gain_standard_error"])
    assert abs(error) <= 3 * sure
    assert float(evidence["implied_low_Pa"]) == pytest.approx(-25 + 1.25 * offset, abs=0.5)
    assert float(evidence["implied_high_Pa"]) == pytest.approx(
        -25 + 1.25 * (100 * gain + offset), abs=0.5
    )
    assert "controller takes" in mine[0].consequence


def test_per_cent_on_another_range() -> None:
    here = watched(range=[0, 200])
    one = air(ROWS, 80.0)
    mA = np.round((4 + 0.08 * one) * 1250) / 1250
    # Counts say 80 Pa of 0..200; the controller shows 40.
    block = polled(here, ((1.25 * (mA - 4) / 0.16) - 25,) * 2)
    names = [f"{c}.{p}" for c, noun in here.controllers.items() for p in noun.points]
    true = 200 * (mA - 4) / 16
    block.values[:, names.index("a.v1")] = true / 2
    block.values[:, names.index("a.v2")] = true
    block.values[:, names.index("a.feedback")] = 0.75 * true
    block.values[:, names.index("a.setpoint")] = 60
    found = [f for f in told(here, block) if f.subject == "p1"]
    # Half of 0..200 is also 0..100: the two are one line, and both are said.
    assert [f.fault for f in found] == ["percent-for-value"]
    assert "range-mismatch" in str(found[0].evidence["cannot_tell_from"])


def test_right_scaling_is_never_said() -> None:
    fan = np.where(np.arange(2400) % 1200 < 800, 50.0, 0.0)
    one, two = air(2400, fan), air(2400, fan + 1, seed=2)
    running = np.where(fan > 0, 1.0, 0.0)
    found = told(watched(), polled(watched(), (one, two), running=running, setpoint=50.5))
    assert mismatches(found) == []


def test_a_controller_that_clamps_is_right() -> None:
    # A live-zero range of 0..100 % only: below -25 Pa the card still shows, the controller not.
    fan = np.where(np.arange(1500) % 600 < 300, 50.0, -32.0)
    one, two = air(1500, fan), air(1500, fan, seed=2)
    own = (np.clip(right(one), -25, 100), np.clip(right(two), -25, 100))
    found = told(watched(), polled(watched(), (one, two), shown=own))
    assert mismatches(found) == []


def filtered(value: Floats, seconds: float) -> Floats:
    """Behind a first-order filter."""
    out = value.copy()
    for k in range(1, len(out)):
        out[k] = out[k - 1] + (out[k] - out[k - 1]) / seconds
    return out


@pytest.mark.parametrize("seconds", [5.0, 30.0])
def test_a_controller_that_filters_is_right_and_its_mistakes_keep_their_name(
    seconds: float,
) -> None:
    rows = 2600
    t = np.arange(rows)
    fan = np.where(t % 1500 < 1000, 50.0, 0.0)
    one = air(rows, np.where((t % 300 < 6) & (fan > 0), 20.0, fan))
    slow = filtered(right(one), seconds)
    block = polled(watched(), (one, one), shown=(slow, slow), running=np.where(fan > 0, 1.0, 0.0))
    assert mismatches(told(watched(), block)) == []
    wrong = filtered(shown(right(one), 0.8, 20), seconds)
    block = polled(watched(), (one, one), shown=(wrong, slow), running=np.where(fan > 0, 1.0, 0.0))
    assert mismatches(told(watched(), block)) == ["live-zero-mismatch"]


def late(value: Floats, share: float = 0.4) -> Floats:
    """Some rows read a second later than the counts, as two requests of one poll can."""
    later = np.random.default_rng(5).random(len(value)) < share
    return np.where(later, np.append(value[1:], value[-1]), value)


def test_values_read_a_moment_later_are_right_and_mistakes_keep_their_name() -> None:
    fan = np.where(np.arange(1500) % 600 < 500, 50.0, 20.0)
    one, two = air(1500, fan, noise=1.5), air(1500, fan, seed=2, noise=1.5)
    own = (late(right(one)), late(right(two)))
    assert mismatches(told(watched(), polled(watched(), (one, two), shown=own))) == []
    # Through rows the noise would flatten 2.0 to less, and 1.0 towards the 0.8 of a live zero.
    wrong = (late(shown(right(one), 2.0, 25)), own[1])
    found = told(watched(), polled(watched(), (one, two), shown=wrong, setpoint=79.0))
    assert mismatches([f for f in found if f.phase == "raised"]) == ["signal-mismatch"]


def test_a_value_pinned_at_its_end_is_said_after_a_while() -> None:
    rows = 60 * (PATIENCE + 4)
    one = air(rows, 60.0)
    own = (np.minimum(shown(right(one), 2.0, 25), 100.0), right(one))
    found = told(watched(), polled(watched(), (one, one), shown=own, setpoint=80.0))
    mine = [f for f in found if f.subject == "p1"]
    assert said(mine) == [("range-mismatch", "p1", "raised")]
    assert mine[0].evidence["fits"] == "an end at which it stands still"
    # No line, no range: nothing is said of one that is not known.
    assert "not known" not in mine[0].next_check + mine[0].consequence
    assert "look like" not in mine[0].next_check
    cannot = str(mine[0].evidence["cannot_tell_from"])
    assert "signal-mismatch" in cannot
    assert "live-zero-mismatch" not in cannot


def test_a_coarse_register_is_right_and_a_mistake_behind_it_is_found() -> None:
    here = watched(value={"type": "int16", "scale": 1.0})
    one, two = air(1000, noise=2.0), air(1000, seed=2)
    fine = polled(here, (one, two), shown=(np.round(right(one)), np.round(right(two))))
    assert mismatches(told(here, fine)) == []
    wrong = (np.round(shown(right(one), 2.0, 25)), np.round(right(two)))
    found = told(here, polled(here, (one, two), shown=wrong, setpoint=78.0))
    assert [f.fault for f in found if f.subject == "p1"] == ["signal-mismatch"]


def test_without_movement_it_says_what_it_cannot_tell() -> None:
    rows = 60 * (PATIENCE + 5)
    still = np.full(rows, 50.0) + 0.02 * np.random.default_rng(1).normal(size=rows)
    own = (shown(right(still), 0.8, 20), right(still))
    found = told(watched(), polled(watched(), (still, still), shown=own, setpoint=52.0))
    mine = [f for f in found if f.subject == "p1"]
    assert said(mine) == [("range-mismatch", "p1", "raised")]
    assert mine[0].confidence == 0.5
    assert PATIENCE * 60 <= mine[0].time - START <= (PATIENCE + 2) * 60
    cannot = str(mine[0].evidence["cannot_tell_from"])
    assert "live-zero-mismatch" in cannot
    assert "signal-mismatch" not in cannot


def test_movement_later_gives_it_its_name() -> None:
    rows = 60 * (PATIENCE + 15)
    level = np.where(np.arange(rows) < 60 * (PATIENCE + 4), 50.0, 65.0)
    still = level + 0.02 * np.random.default_rng(1).normal(size=rows)
    own = (shown(right(still), 0.8, 20), right(still))
    found = told(watched(), polled(watched(), (still, still), shown=own, setpoint=52.0))
    mine = [f for f in found if f.subject == "p1"]
    assert sorted(said(mine), key=str) == sorted(
        [
            ("range-mismatch", "p1", "raised"),
            ("range-mismatch", "p1", "cleared"),
            ("live-zero-mismatch", "p1", "raised"),
        ],
        key=str,
    )


def test_a_change_while_running_and_its_repair() -> None:
    rows, changed, mended = 2000, 617, 1443
    one, two = air(rows), air(rows, seed=2)
    # The loop answers at once: the average goes back to 50.
    during = (np.arange(rows) >= changed) & (np.arange(rows) < mended)
    one, two = (np.where(during, p - 6, p) for p in (one, two))
    own = (np.where(during, shown(right(one), 0.8, 20), right(one)), right(two))
    found = told(watched(), polled(watched(), (one, two), shown=own))
    assert said(found) == [
        ("live-zero-mismatch", "p1", "raised"),
        ("live-zero-mismatch", "p1", "cleared"),
    ]
    assert changed < found[0].time - START < changed + 600
    assert mended < found[1].time - START < mended + 480


def test_no_combination_mismatch_beside_wrong_scaling() -> None:
    one, two = air(ROWS), air(ROWS, 51, seed=2)
    own = (shown(right(one), 0.8, 20), right(two))
    with_values = told(watched(), polled(watched(), (one, two), shown=own))
    assert "combination-mismatch" not in {f.fault for f in with_values}


def test_a_wrong_combination_of_near_readings_is_told_by_its_means() -> None:
    one, two = air(ROWS, 50), air(ROWS, 51, seed=2)
    low = np.minimum(right(one), right(two))
    found = told(watched(), polled(watched(), (one, two), feedback=low))
    assert said(found) == [("combination-mismatch", "stair", "raised")]
    assert found[0].evidence["fits"] == "minimum"
    assert found[0].evidence["compared_with"] == "the controller's own input values"
