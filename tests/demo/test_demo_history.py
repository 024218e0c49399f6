"""History without sockets: the block's shape, reasons, quantisation, speed."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.demo.faults import FaultError
from gateway.demo.history import simulate
from gateway.demo.registers import after_registers, storable, words
from gateway.measure.quality import Reason
from gateway.plant.controllers import Controller, Point
from gateway.plant.site import Site
from gateway.poll.words import decode, encode

pytestmark = pytest.mark.slow

START = 1_780_272_000.0
Column = Callable[[str], int]


def points_of(site: Site) -> list[Point]:
    return [p for noun in site.controllers.values() for p in noun.points.values()]


def test_shape_and_time(archive: Site) -> None:
    block = simulate(archive, seed=1, seconds=60.0, interval_s=2.0, start_time=START)
    assert block.values.shape == block.reasons.shape == (30, len(points_of(archive)))
    assert block.time.tolist() == [START + 2.0 * k for k in range(30)]
    assert (block.reasons == Reason.NONE).all()
    assert np.isfinite(block.values).all()


def test_every_value_is_one_that_its_registers_can_show(archive: Site) -> None:
    block = simulate(archive, seed=1, seconds=30.0)
    for k, point in enumerate(points_of(archive)):
        for value in block.values[:, k].tolist():
            assert decode(point, encode(point, value)) == value


@settings(max_examples=60)
@given(value=st.floats(-1e6, 1e6), k=st.integers(0, 40))
def test_whole_columns_round_as_single_words_do(archive: Site, value: float, k: int) -> None:
    points = points_of(archive)
    point = points[k % len(points)]
    one = storable(point, value)
    expected = decode(point, encode(point, one))
    got = after_registers(point, np.array([value]))[0]
    assert got == pytest.approx(expected, abs=1e-9, nan_ok=True)


def test_bits_share_a_register(archive: Site) -> None:
    drive = archive.controllers["sf-2"]
    values = dict.fromkeys(drive.points, 0.0) | {"running": 1.0, "sleeping": 1.0}
    held = words(drive, values.values())["holding"]
    assert held[1] == 0b10001


def test_values_beyond_a_register_stop_at_its_end() -> None:
    point = Point(table="input", address=0, type="int16", scale=0.1)
    one = Controller(host="127.0.0.1", points={"x": point})
    assert words(one, [1e9])["input"] == {0: 32767}
    assert storable(point, -1e9) == pytest.approx(-3276.8)


@pytest.mark.parametrize(
    ("kind", "size", "reason"),
    [
        ("no-communication", None, Reason.NO_COMMUNICATION),
        ("slow-answers", 5.0, Reason.NO_COMMUNICATION),
        ("slow-answers", 0.2, Reason.NONE),
        ("bad-reply", None, Reason.BAD_REPLY),
    ],
)
def test_a_controller_that_does_not_answer(
    archive: Site, kind: str, size: float | None, reason: Reason
) -> None:
    block = simulate(archive, seed=1, seconds=20.0, faults=[(10.0, kind, "ahu-1", size)])
    drive = len(archive.controllers["sf-2"].points)
    plc = slice(drive, drive + len(archive.controllers["ahu-1"].points))
    assert (block.reasons[:10] == Reason.NONE).all()
    assert (block.reasons[10:, plc] == reason).all()
    assert np.isnan(block.values[10:, plc]).all() == (reason != Reason.NONE)
    assert (block.reasons[:, :drive] == Reason.NONE).all()


def test_stale_registers_stand_still_heartbeat_and_all(archive: Site) -> None:
    block = simulate(archive, seed=1, seconds=40.0, faults=[(10.0, "stale-data", "ef-4", None)])
    mine = len(archive.controllers["ef-4"].points)
    assert (np.ptp(block.values[10:, -mine:], axis=0) == 0.0).all()
    assert (np.ptp(block.values[10:, :-mine], axis=0) > 0.0).sum() > 12


def test_a_slow_poll_is_not_due_in_between(archive: Site, column: Column) -> None:
    slow = archive.controllers["ef-4"].model_copy(update={"interval_s": 3.0})
    site = archive.model_copy(update={"controllers": {**archive.controllers, "ef-4": slow}})
    block = simulate(site, seed=1, seconds=9.0)
    counts = column("ef-4.ai1_counts")
    due = block.reasons[:, counts] == Reason.NONE
    assert due.tolist() == [True, False, False] * 3
    assert (block.reasons[~due, counts] == Reason.NOT_DUE).all()
    assert np.array_equal(np.isnan(block.values[:, counts]), ~due)


def test_an_impossible_fault_is_refused(archive: Site) -> None:
    with pytest.raises(FaultError):
        simulate(archive, seed=1, seconds=5.0, faults=[(0.0, "tube-off", "sf-2", None)])


def test_coarse_steps_hold_the_same_pressures(archive: Site, column: Column) -> None:
    fine = simulate(archive, seed=1, seconds=2000.0)
    coarse = simulate(archive, seed=1, seconds=2000.0, interval_s=10.0)
    for ref, apart in (("sf-2.feedback", 1.5), ("ahu-1.feedback", 0.02), ("ef-4.feedback", 2.0)):
        k = column(ref)
        assert coarse.values[:, k].mean() == pytest.approx(fine.values[:, k].mean(), abs=apart)


def test_heartbeats_move_between_rows(archive: Site, column: Column) -> None:
    block = simulate(archive, seed=1, seconds=30.0)
    for key, noun in archive.controllers.items():
        assert (np.diff(block.values[:, column(f"{key}.{noun.heartbeat}")]) > 0).all()


def test_a_day_takes_well_under_a_minute(archive: Site) -> None:
    simulate(archive, seed=1, seconds=1.0)
    started = time.process_time()
    simulate(archive, seed=1, seconds=1200.0)
    assert 72 * (time.process_time() - started) < 60.0
