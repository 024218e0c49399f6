"""The plant as a whole: it repeats, it holds its set points, and it can be broken."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from gateway.demo.faults import ABOUT, KINDS, FaultError, checked, possible
from gateway.demo.history import Event, simulate
from gateway.demo.plant import Plant
from gateway.errors import StartError
from gateway.measure.blocks import Block, Readings
from gateway.measure.measure import Measure
from gateway.plant.site import Site

pytestmark = pytest.mark.slow

TIME = 1_780_272_000.0
WINTER = 1_769_040_000.0
LOOPS = ("stair-b", "ahu-1-supply", "exhaust-plenum")
INCH = 249.08891

Column = Callable[[str], int]


def history(site: Site, seconds: float = 400.0, *faults: Event, seed: int = 5) -> Block:
    return simulate(site, seed=seed, seconds=seconds, faults=faults, start_time=TIME)


@pytest.fixture(scope="module")
def healthy(archive: Site) -> Block:
    return history(archive)


def readings(site: Site, block: Block) -> Readings:
    return Measure(site).examine(block)


def test_same_seed_same_history_other_seed_another(archive: Site, healthy: Block) -> None:
    first = healthy.values[:200]
    assert np.array_equal(first, history(archive, 200.0).values)
    assert not np.array_equal(first, history(archive, 200.0, seed=6).values)


def test_breaking_one_loop_leaves_the_others_digit_for_digit(
    archive: Site, column: Column, healthy: Block
) -> None:
    broken = history(archive, 200.0, (50.0, "tube-off", "dp-201", None)).values
    intact, others = healthy.values[:200], column("ahu-1.ai1_counts")
    assert np.array_equal(intact[:, others:], broken[:, others:])
    assert np.array_equal(intact[:50], broken[:50])
    assert not np.array_equal(intact[50:], broken[50:])


def test_starts_settled_and_moves_within_ten_seconds(archive: Site) -> None:
    for seed in range(5):
        seen = readings(archive, history(archive, 10.0, seed=seed))
        assert np.abs(seen.combined[0] - seen.setpoint[0]) == pytest.approx(
            0.0, abs=0.06 * INCH * 2
        )
        assert (np.ptp(seen.counts, axis=0) > 0).all()
        assert (np.ptp(seen.output, axis=0) > 0).all()
        assert (seen.running == 1).all()


@pytest.mark.parametrize("start", [TIME, WINTER])
def test_loops_hold_their_set_points(archive: Site, start: float) -> None:
    block = simulate(archive, seed=2, seconds=1500.0, start_time=start)
    seen = readings(archive, block)
    error = seen.combined - seen.setpoint
    for k, (mean, usual) in enumerate([(1.0, 8.0), (5.0, 15.0), (4.0, 20.0)]):
        assert abs(error[:, k].mean()) < mean
        # Doors and gates disturb, but not for long.
        assert np.quantile(np.abs(error[:, k]), 0.95) < usual
    assert seen.quality.max() == 0
    low, high = np.nanmin(seen.output, axis=0), np.nanmax(seen.output, axis=0)
    for k, key in enumerate(LOOPS):
        ends = archive.loops[key].output_range
        assert ends is not None
        assert ends[0] < low[k] <= high[k] < ends[1]


def test_controller_and_witness_agree_while_all_is_well(archive: Site, healthy: Block) -> None:
    seen = readings(archive, healthy)
    assert np.abs(seen.controller_value - seen.pressure) == pytest.approx(0.0, abs=0.01)
    assert np.abs(seen.feedback - seen.combined) == pytest.approx(0.0, abs=0.01)


def test_healthy_transducers_differ_by_no_more_than_their_places_allow(archive: Site) -> None:
    for start in (TIME, WINTER):
        block = simulate(archive, seed=3, seconds=900.0, start_time=start)
        seen = readings(archive, block)
        for key, factor in (("stair-b", 1.0), ("ahu-1-supply", INCH), ("exhaust-plenum", 1.0)):
            loop = archive.loops[key]
            mine = [list(archive.transducers).index(t) for t in loop.transducers]
            mean = seen.pressure[:, mine].mean(axis=0)
            span = archive.transducers[loop.transducers[0]].span_pa
            assert np.ptp(mean) < loop.place_difference * factor + 0.02 * span


def test_upper_level_reads_less_in_winter(archive: Site) -> None:
    def difference(start: float) -> float:
        seen = readings(archive, simulate(archive, seed=9, seconds=300.0, start_time=start))
        return float((seen.pressure[:, 0] - seen.pressure[:, 1]).mean())

    assert difference(WINTER) - difference(TIME) > 1.0


def test_door_drops_the_stair_to_a_few_pascals_and_it_recovers_in_seconds(archive: Site) -> None:
    plant = Plant(archive, seed=1, time=TIME)
    loop = plant.loops["stair-b"]
    plant.switch("door-held-open", "stair-b", 0.9, on=True)
    plant.step(3.0)
    assert loop.drive.feedback < 12.0
    plant.step(5.0)
    plant.switch("door-held-open", "stair-b", on=False)
    peak = 0.0
    for _ in range(60):
        plant.step(0.5)
        peak = max(peak, loop.drive.feedback)
    assert 45.0 < loop.drive.feedback < 56.0
    assert peak < 85.0


def test_door_held_open_saturates_the_fan(archive: Site) -> None:
    seen = readings(archive, history(archive, 200.0, (0.0, "door-held-open", "stair-b", None)))
    assert seen.output[-1, 0] == pytest.approx(60.0)
    assert seen.combined[-1, 0] < 12.0


@pytest.mark.parametrize("loop", LOOPS)
def test_hunting_is_a_sustained_oscillation(archive: Site, loop: str, healthy: Block) -> None:
    k = LOOPS.index(loop)
    calm = readings(archive, healthy).output[100:300, k]
    wild = readings(archive, history(archive, 300.0, (0.0, "hunting", loop, None))).output[100:, k]
    assert wild.std() > 5.0 * calm.std()
    swing = wild - np.median(wild)
    crossings = int((swing[1:] * swing[:-1] < 0).sum())
    # Slow enough for a poll once a second: at least ten samples a period (common practice).
    assert 10.0 <= 2 * len(swing) / crossings <= 30.0


def test_sleep_cycling_starts_the_fan_again_and_again(archive: Site, column: Column) -> None:
    block = history(archive, 400.0, (0.0, "sleep-cycling", "stair-b", None))
    asleep = block.values[:, column("sf-2.sleeping")]
    assert (np.diff(asleep) > 0).sum() >= 4
    running = block.values[:, column("sf-2.running")]
    assert np.array_equal(running, 1.0 - asleep)


@pytest.mark.parametrize("loop", LOOPS)
def test_stopped_fan_leaves_every_transducer_near_zero(archive: Site, loop: str) -> None:
    seen = readings(archive, history(archive, 120.0, (10.0, "fan-stopped", loop, None)))
    mine = [list(archive.transducers).index(t) for t in archive.loops[loop].transducers]
    assert np.abs(seen.pressure[60:, mine]).max() < 5.0
    assert (seen.output[60:, LOOPS.index(loop)] == 0.0).all()
    assert (seen.running[60:, LOOPS.index(loop)] == 0.0).all()


@pytest.mark.parametrize("loop", LOOPS)
def test_reversed_action_runs_away(archive: Site, loop: str) -> None:
    k, noun = LOOPS.index(loop), archive.loops[loop]
    seen = readings(archive, history(archive, 400.0, (0.0, "action-reversed", loop, None)))
    assert noun.output_range is not None
    ends = [0.0, *noun.output_range]
    assert min(abs(np.median(seen.output[-100:, k]) - end) for end in ends) < 1.0
    span = archive.transducers[noun.transducers[0]].span_pa
    assert abs(np.median(seen.combined[-100:, k]) - seen.setpoint[-1, k]) > 0.15 * span


def test_minimum_with_a_dead_input_over_pressurises(archive: Site) -> None:
    # A minimum selects the low-failing transducer and the fan drives up (computed, signatures).
    seen = readings(archive, history(archive, 300.0, (10.0, "tube-off", "dp-302", None)))
    assert seen.output[-1, 1] == pytest.approx(100.0, abs=0.5)
    assert seen.pressure[-1, 2] > 1.8 * INCH


def test_average_with_a_zero_input_lifts_the_healthy_point(archive: Site) -> None:
    # Average of 0 and p makes the loop hold 2p, as far as the fan can (computed, signatures).
    seen = readings(archive, history(archive, 300.0, (10.0, "tube-off", "dp-201", None)))
    assert seen.pressure[-50:, 1].mean() > 65.0
    assert abs(seen.pressure[-50:, 0].mean()) < 3.0


def test_median_of_three_ignores_one_dead_input(archive: Site) -> None:
    seen = readings(archive, history(archive, 300.0, (10.0, "open-circuit", "dp-402", None)))
    assert seen.combined[60:, 2].mean() == pytest.approx(-200.0, abs=8.0)
    assert seen.electrical[-1, 5] == pytest.approx(0.0, abs=0.01)


def test_set_point_faults_move_the_set_point(archive: Site) -> None:
    block = history(archive, 50.0, (0.0, "setpoint-above-safe-limit", "stair-b", 95.0))
    assert readings(archive, block).setpoint[-1, 0] == pytest.approx(95.0)


def test_combination_fault_changes_what_is_reported(archive: Site) -> None:
    block = history(archive, 100.0, (0.0, "combination-mismatch", "ahu-1-supply", None))
    seen = readings(archive, block)
    larger = seen.pressure[:, 2:4].max(axis=1)
    assert seen.feedback[5:, 1] == pytest.approx(larger[5:], abs=0.2)
    assert (seen.feedback[5:, 1] > seen.combined[5:, 1] + 3.0).mean() > 0.95


def test_every_possible_fault_shows_and_can_be_repaired(archive: Site) -> None:
    plant = Plant(archive, seed=1, time=TIME)
    subjects = [*archive.transducers, *archive.loops, *archive.controllers]
    switched = 0
    for subject in subjects:
        for kind in possible(archive, subject):
            plant.switch(kind.kind, subject, on=True)
            assert [f.kind for f in plant.faults] == [kind.kind]
            plant.step(2.0)
            plant.switch(kind.kind, subject, on=False)
            switched += 1
    assert plant.faults == ()
    assert switched > 150
    assert {k.kind for s in subjects for k in possible(archive, s)} == set(KINDS)
    assert {kind.part for kind in KINDS.values()} == set(ABOUT)
    plant.step(300.0)
    assert plant.loops["stair-b"].drive.feedback == pytest.approx(50.0, abs=8.0)


@pytest.mark.parametrize(
    ("kind", "subject", "size", "words"),
    [
        ("open-circuit", "dp-999", None, ["dp-999", "dp-201", "stair-b", "sf-2"]),
        ("tube-of", "dp-201", None, ["tube-of", "dp-201", "tube-off"]),
        ("floating-input", "dp-201", None, ["floating-input", "open-circuit"]),
        ("device-failure-signal", "dp-301", None, ["device-failure-signal", "flat-top"]),
        ("door-held-open", "ahu-1-supply", None, ["door-held-open", "leak"]),
        ("intermittent-wiring", "dp-201", 1.5, ["1.5", "0.01 to 0.99"]),
        ("hunting", "stair-b", float("nan"), ["nan", "1 to 1000"]),
    ],
)
def test_impossible_faults_say_what_is_allowed(
    archive: Site, kind: str, subject: str, size: float | None, words: Sequence[str]
) -> None:
    with pytest.raises(FaultError) as caught:
        checked(archive, kind, subject, size)
    for word in words:
        assert word in str(caught.value)


def test_a_site_that_is_not_the_archive_is_refused(archive: Site) -> None:
    loops = {"stair-z": archive.loops["stair-b"]}
    with pytest.raises(StartError, match=r"stair-z.*stair-b"):
        Plant(archive.model_copy(update={"loops": loops}), seed=1, time=TIME)


def test_a_point_without_a_meaning_is_refused(archive: Site) -> None:
    drive = archive.controllers["sf-2"]
    points = {**drive.points, "mystery": drive.points["speed"]}
    controllers = {
        **archive.controllers, "sf-2": drive.model_copy(update={"points": points}),
    }  # fmt: skip
    with pytest.raises(StartError, match=r"sf-2\.points\.mystery"):
        Plant(archive.model_copy(update={"controllers": controllers}), seed=1, time=TIME)
