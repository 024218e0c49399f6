"""Door force against published figures; what one wrong reading does to each combination."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.diagnose.consequence import (
    allowed_pressure,
    door_force,
    numbers,
    of_evidence,
    of_reading,
    said,
    sentence,
)  # fmt: skip
from gateway.diagnose.explain import fitting
from gateway.plant.loops import Door, Loop
from gateway.plant.units import to_pa

POUND_N = 4.4482216152605
INCH_M, FOOT_M = 0.0254, 0.3048

# Largest pressure difference, inches of water, at 30 lbf, 7 ft door, knob 3 in from the edge:
# published copies of the table in smoke-control texts. Rows: closer, lbf; columns: width, in.
WIDTHS = (32, 36, 40, 44, 48)
TABLE = {
    6: (0.45, 0.40, 0.37, 0.34, 0.31),
    8: (0.41, 0.37, 0.34, 0.31, 0.28),
    10: (0.37, 0.34, 0.30, 0.28, 0.26),
    12: (0.34, 0.30, 0.27, 0.25, 0.23),
    14: (0.30, 0.27, 0.24, 0.22, 0.21),
}


@pytest.mark.parametrize(
    ("closer", "width", "inches"),
    [
        (closer, width, cell)
        for closer, row in TABLE.items()
        for width, cell in zip(WIDTHS, row, strict=True)
    ],
)
def test_published_table_of_greatest_pressures(closer: int, width: int, inches: float) -> None:
    door = Door(
        width_m=width * INCH_M, height_m=7 * FOOT_M, closer_N=closer * POUND_N,
        knob_m=3 * INCH_M, force_limit_N=30 * POUND_N,
    )  # fmt: skip
    # The table is rounded to 0.01 in and made with a constant of 5.2, which is 5.2023.
    most = allowed_pressure(door)
    assert abs(most / to_pa(1, "inH2O") - inches) <= 0.005 + 0.001
    assert door_force(door, most) == pytest.approx(30 * POUND_N)


# New York City Building Code 909.6.2 form; worked examples recomputed in SI.
@pytest.mark.parametrize(
    ("width_m", "height_m", "knob_m", "closer_N", "pascals", "newtons"),
    [
        # W 3 ft, A 21 ft2, d 3 in, 0.30 in, 12 lbf: 29.87 lbf (from memory, recomputed).
        (0.9144, 2.1336, 0.0762, 12 * POUND_N, 0.30 * 249.08891, 29.87 * POUND_N),
        # W 3.6 ft, A 24.86 ft2, d 0.25 ft, 0.20 in, 12 lbf: 115.2 N (published sheet).
        (3.6 * FOOT_M, 24.86 / 3.6 * FOOT_M, 0.25 * FOOT_M, 12 * POUND_N, 49.817782, 115.2),
        # 0.9 m x 2.1 m, 53 N, d 0.075 m: 133 N at 77.60 Pa (secondary text, recomputed).
        (0.9, 2.1, 0.075, 53, 77.60, 133),
    ],
)
def test_worked_door_forces(
    width_m: float, height_m: float, knob_m: float, closer_N: float, pascals: float, newtons: float
) -> None:
    door = Door(
        width_m=width_m, height_m=height_m, closer_N=closer_N, knob_m=knob_m, force_limit_N=133
    )
    assert door_force(door, pascals) == pytest.approx(newtons, rel=1e-3)
    assert door_force(door, -pascals) == door_force(door, pascals)


@given(st.floats(0.5, 3), st.floats(1, 4), st.floats(0, 200), st.floats(0, 0.4), st.floats(1, 400))
def test_allowed_pressure_is_the_inverse(
    width: float, height: float, closer: float, knob: float, limit: float
) -> None:
    door = Door(width_m=width, height_m=height, closer_N=closer, knob_m=knob, force_limit_N=limit)
    most = allowed_pressure(door)
    assert most >= 0
    if limit > closer:
        assert door_force(door, most) == pytest.approx(limit)
    else:
        assert most == 0


def loop(combine: str, members: int = 2, **more: object) -> Loop:
    ids = [f"p{k}" for k in range(1, members + 1)]
    return Loop.model_validate({"transducers": ids, "combine": combine, **more})


# A reading of 0 where 50 is true, the others at 50: an average is halved, a minimum follows the
# dead one, a maximum ignores it (worked out).
@pytest.mark.parametrize(
    ("combine", "members", "reading", "error", "follows"),
    [
        ("average", 2, 0.0, -25.0, ""),
        ("minimum", 2, 0.0, -50.0, "p1"),
        ("maximum", 2, 0.0, 0.0, "the others"),
        ("maximum", 2, 80.0, 30.0, "p1"),
        ("minimum", 2, 80.0, 0.0, "the others"),
        ("median", 3, 0.0, 0.0, "the others"),
        ("average", 4, 0.0, -12.5, ""),
        ("sum", 2, 0.0, -50.0, ""),
        ("difference", 2, 0.0, -50.0, ""),
    ],
)
def test_a_wrong_reading_in_each_combination(
    combine: str, members: int, reading: float, error: float, follows: str
) -> None:
    effect = of_reading(loop(combine, members), "p1", reading, 50.0, 50.0)
    assert effect.error == pytest.approx(error)
    assert effect.follows == follows


def test_a_loop_of_one_is_off_by_the_whole() -> None:
    effect = of_reading(loop("single", 1), "p1", 40.0, 50.0, math.nan)
    assert (effect.pressure, effect.error, effect.follows) == (50.0, -10.0, "")


def test_evidence_of_a_shift_and_of_a_dead_input() -> None:
    drift = of_evidence(loop("average"), "p2", {"shift_Pa": 6.0, "reading_Pa": 56, "peers_Pa": 50})
    assert drift is not None
    assert drift.pressure == 50
    assert drift.error == 3
    dead = of_evidence(loop("average"), "p2", {"reading_Pa": 0.0, "peers_Pa": 80})
    assert dead is not None
    assert (dead.pressure, dead.error) == (80, -40)
    assert of_evidence(loop("average"), "p2", {"reading_Pa": 3.0}) is None
    assert of_evidence(loop("average"), None, {"limit_Pa": 3.0}) is None


def test_what_to_check_is_told_for_the_case_that_was_found() -> None:
    text = "[all] Seen by all. [one only] Seen by one. Stop {n}."
    assert fitting(text, {"n": 2.0, "who": "all"}) == "Seen by all. Stop {n}."
    assert fitting(text, {"n": 2.0, "who": "one only"}) == "Seen by one. Stop {n}."
    assert fitting("[up] Up. Look. [down] Down.", {"limit": "up"}) == "Up. Look."
    assert fitting("[up] Up. [down] Down.", {"limit": "down"}) == "Down."
    assert fitting("[up] Up. [down] Down.", {"limit": "not told"}) == "Up. Down."
    assert fitting("Measure at 3.6 mA. Then wait.", {}) == "Measure at 3.6 mA. Then wait."
    for entry in CATALOGUE.values():
        assert "[" not in fitting(entry.next_check, {})


def test_words_name_the_door_only_where_there_is_one() -> None:
    door = {"width_m": 0.9, "height_m": 2.1, "closer_N": 53, "force_limit_N": 133}
    high = of_evidence(loop("average", door=door), None, {"feedback_Pa": 100.0})
    assert high is not None
    said = sentence(high, "Pa")
    assert "more than that" in said
    assert "authority having jurisdiction" in said
    assert numbers(high, "Pa")["door_force_limit_N"] == 133
    bare = of_evidence(loop("average"), None, {"reported_Pa": 45.0, "computed_Pa": 50.0})
    assert bare is not None
    assert numbers(bare, "Pa") == {"true_combined_Pa": 50.0, "combined_error_Pa": -5.0}
    said = sentence(bare, "Pa")
    assert "door" not in said
    # It stands for as long as the finding does, while the pressure goes on: it tells of then.
    assert said.startswith("When this was found the true combined pressure was about 50 Pa")
    nothing = of_evidence(loop("average"), None, {"feedback_Pa": 100.0})
    assert nothing is not None
    assert sentence(nothing, "Pa") == ""


@pytest.mark.parametrize(
    ("value", "step", "words"),
    [
        (12.34, 0.5, "12.5"),
        (12.34, 0.0, "12.34"),
        (-math.inf, 0.5, "-inf"),
        (1e308, 0.01, "1e+308"),  # its number of steps is infinite
        (math.nan, 0.5, "nan"),
    ],
)
def test_pressures_in_words(value: float, step: float, words: str) -> None:
    assert said(value, step) == words
