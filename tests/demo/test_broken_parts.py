"""Each fault leaves the signature that its physics says, from tapping to controller value.

Signatures worked out from the signal ranges (computed, no other source) unless said otherwise.
"""

from __future__ import annotations

from itertools import pairwise
from statistics import fmean, pstdev

import pytest

from gateway.demo.noise import Lag, Wander, normals
from gateway.demo.plant import Channel, Plant
from gateway.demo.sensor import Device, Tube
from gateway.demo.wiring import Wire
from gateway.plant.site import Site

TIME = 1_780_272_000.0
STEADY = 400


def channel(site: Site, key: str, start_pa: float) -> Channel:
    return Channel(site, key, seed=4, time=TIME, start_pa=start_pa)


def run(one: Channel, pressure_pa: float, before: float = 0.0, steps: int = STEADY) -> list[float]:
    """Electrical signals at the input, half a second apart, at one pressure."""
    signals = []
    for _ in range(steps):
        one.step(0.5, pressure_pa, 10.0, before)
        signals.append(one.electrical)
    return signals


def shown(one: Channel, site: Site, key: str) -> float:
    """Pa that the counts mean by the nameplate."""
    noun = site.transducers[key]
    card, signal = noun.input, noun.sends()
    per = (card.electrical[1] - card.electrical[0]) / (card.counts[1] - card.counts[0])
    share = (one.counts * per - signal.low) / (signal.high - signal.low)
    return noun.lrv_pa + share * noun.span_pa


@pytest.mark.parametrize(
    ("key", "pressure"), [("dp-201", 50.0), ("dp-302", 250.0), ("dp-402", -200.0)]
)
def test_healthy_is_within_accuracy_and_never_quite_still(
    archive: Site, key: str, pressure: float
) -> None:
    one = channel(archive, key, pressure)
    counts = []
    for _ in range(STEADY):
        one.step(0.5, pressure, 10.0, 0.0)
        counts.append(one.counts)
        assert abs(shown(one, archive, key) - pressure) < 0.012 * archive.transducers[key].span_pa
    assert len(set(counts)) > 3


@pytest.mark.parametrize(
    ("key", "fault", "expected"),
    [
        # Live zero: 0 mA or 0 V reads -25 % of span; true zero: 0 V reads 0 %.
        ("dp-201", "open-circuit", 0.0),
        ("dp-302", "open-circuit", 0.0),
        ("dp-402", "open-circuit", 0.0),
        ("dp-201", "short-to-common", 0.0),
        ("dp-402", "short-to-common", 0.0),
        # 24 V across 250 ohm is 96 mA; a voltage input sees the supply itself.
        ("dp-201", "short-circuit", 96.0),
        ("dp-302", "short-circuit", 24.0),
        # A two-wire device blocks; a voltage turns negative.
        ("dp-201", "reversed-polarity", 0.0),
        ("dp-302", "reversed-polarity", -5.0),
    ],
)
def test_wire_faults(archive: Site, key: str, fault: str, expected: float) -> None:
    wire = Wire(1, key, archive.transducers[key])
    wire.faults[fault] = 0.0
    assert wire.step(0.5, 5.0, 3.0) == expected


@pytest.mark.parametrize(
    ("key", "fault", "percent"),
    [
        ("dp-201", "open-circuit", -25.0),
        ("dp-302", "open-circuit", 0.0),
        ("dp-402", "open-circuit", -25.0),
        ("dp-201", "short-circuit", 100.0),  # this card ends at 20 mA
        ("dp-302", "short-circuit", 100.0),  # and this one at 10 V
        ("dp-402", "short-circuit", 125.0),  # this one shows up to 12 V of 2-10 V
        ("dp-302", "reversed-polarity", 0.0),
    ],
)
def test_what_the_card_makes_of_wire_faults(
    archive: Site, key: str, fault: str, percent: float
) -> None:
    one = channel(archive, key, archive.transducers[key].lrv_pa + 10.0)
    one.wire.faults[fault] = 0.0
    run(one, archive.transducers[key].lrv_pa + 10.0)
    noun = archive.transducers[key]
    read = 100.0 * (shown(one, archive, key) - noun.lrv_pa) / noun.span_pa
    assert read == pytest.approx(percent, abs=0.1)


def test_floating_input_copies_the_channel_before_and_hums(archive: Site) -> None:
    one = channel(archive, "dp-302", 250.0)
    one.wire.faults["floating-input"] = 0.0
    low, high = run(one, 250.0, before=2.0), run(one, 250.0, before=8.0)
    assert fmean(high) - fmean(low) == pytest.approx(0.6 * 6.0, abs=0.8)
    assert pstdev(low) > 0.25


def test_intermittent_wire_is_away_for_its_share_of_time(archive: Site) -> None:
    one = channel(archive, "dp-201", 50.0)
    one.wire.faults["intermittent-wiring"] = 0.2
    signals = run(one, 50.0, steps=20_000)
    away = [signal == 0.0 for signal in signals]
    assert fmean(away) == pytest.approx(0.2, abs=0.04)
    assert sum(a != b for a, b in pairwise(away)) > 500
    assert fmean(s for s in signals if s > 0.0) == pytest.approx(13.6, abs=0.15)


@pytest.mark.parametrize(("key", "size"), [("dp-201", 3.5), ("dp-201", 21.6), ("dp-402", 1.75)])
def test_device_failure_signal_is_sent_whatever_the_pressure(
    archive: Site, key: str, size: float
) -> None:
    one = channel(archive, key, 0.0)
    one.device.faults["device-failure-signal"] = size
    assert set(run(one, -20.0)) == {size}


@pytest.mark.parametrize(
    ("key", "least", "most"), [("dp-201", 3.8, 20.5), ("dp-302", 0.0, 10.5), ("dp-402", 1.9, 10.25)]
)
def test_a_working_device_stays_in_the_measuring_band(
    archive: Site, key: str, least: float, most: float
) -> None:
    # NAMUR NE 43 (2003), secondary texts: measurement from 3.8 to 20.5 mA.
    one = channel(archive, key, 0.0)
    for pressure in (-5000.0, 5000.0):
        signals = run(one, pressure)
        assert least <= min(signals)
        assert max(signals) <= most


def test_flat_top_is_what_the_supply_can_drive(archive: Site) -> None:
    # 20 V supply, 12 V lift-off, 550 ohm: 14.55 mA = 65.9 % of span (computed).
    one = channel(archive, "dp-201", 50.0)
    one.device.faults["flat-top"] = 20.0
    signals = run(one, 90.0)[20:]
    assert fmean(signals) == pytest.approx(14.55, abs=0.01)
    assert run(one, 20.0)[-1] == pytest.approx(4.0 + 16.0 * 45.0 / 125.0, abs=0.15)


def test_tube_off_reads_the_room(archive: Site) -> None:
    one = channel(archive, "dp-201", 50.0)
    one.tube.faults["tube-off"] = 0.0
    run(one, 50.0)
    assert abs(shown(one, archive, "dp-201")) < 3.0


def test_swapped_ports_negate() -> None:
    clear, swapped = Tube(1, "t", 50.0), Tube(1, "t", 50.0)
    swapped.faults["ports-swapped"] = 0.0
    for pressure in (50.0, 30.0, -10.0):
        assert swapped.step(0.5, pressure) == -clear.step(0.5, pressure)


def test_unipolar_with_swapped_ports_is_pinned_at_the_bottom(archive: Site) -> None:
    one = channel(archive, "dp-302", 250.0)
    one.tube.faults["ports-swapped"] = 0.0
    run(one, 250.0)
    assert one.counts == 0.0
    run(one, 400.0)
    assert one.counts == 0.0


def test_restricted_tube_is_a_first_order_lag() -> None:
    tube = Tube(1, "t", 0.0)
    tube.faults["tube-restricted"] = 40.0
    for _ in range(80):
        arrived = tube.step(0.5, 100.0)
    # After one time constant 1 - 1/e of a step has arrived.
    assert arrived == pytest.approx(63.2, abs=0.1)


def test_lag_does_not_depend_on_the_step() -> None:
    fine, coarse = Lag(0.0), Lag(0.0)
    for _ in range(100):
        fine.step(0.05, 1.0, 3.0)
    coarse.step(5.0, 1.0, 3.0)
    assert fine.value == pytest.approx(coarse.value, abs=1e-12)


def test_liquid_offsets_by_its_column(archive: Site) -> None:
    one = channel(archive, "dp-201", 20.0)
    run(one, 20.0)
    before = shown(one, archive, "dp-201")
    one.tube.faults["liquid-in-tube"] = 30.0
    readings = []
    for _ in range(STEADY):
        one.step(0.5, 20.0, 10.0, 0.0)
        readings.append(shown(one, archive, "dp-201"))
    assert fmean(readings) - before == pytest.approx(30.0, abs=3.0)


def test_frozen_card_repeats_itself_and_a_stuck_device_leaves_the_card_alive(
    archive: Site,
) -> None:
    counts = {}
    for part in ("card", "device"):
        one = channel(archive, "dp-201", 50.0)
        run(one, 50.0)
        if part == "card":
            one.card.faults["frozen"] = 0.0
        else:
            one.device.faults["device-stuck"] = 0.0
        seen = []
        for k in range(STEADY):
            one.step(0.5, 20.0 + k / 10, 10.0, 0.0)
            seen.append(one.counts)
        counts[part] = seen
    assert len(set(counts["card"])) == 1
    assert 1 < len(set(counts["device"])) < 15


def test_zero_drifts_by_the_hour_and_is_gone_after_repair(archive: Site) -> None:
    one = channel(archive, "dp-201", 20.0)
    run(one, 20.0)
    start = shown(one, archive, "dp-201")
    one.device.faults["zero-drift"] = 10.0
    for _ in range(7200):
        one.step(1.0, 20.0, 10.0, 0.0)
    assert shown(one, archive, "dp-201") - start == pytest.approx(20.0, abs=0.8)
    one.device.faults.clear()
    run(one, 20.0)
    assert shown(one, archive, "dp-201") == pytest.approx(start, abs=0.8)


@pytest.mark.parametrize(
    ("fault", "size", "at_20", "at_60"), [("zero-shift", 7.5, 7.5, 7.5), ("span-drift", 10.0, 2, 6)]
)
def test_zero_and_span_errors(
    archive: Site, fault: str, size: float, at_20: float, at_60: float
) -> None:
    for pressure, error in ((20.0, at_20), (60.0, at_60)):
        one = channel(archive, "dp-201", pressure)
        run(one, pressure)
        before = shown(one, archive, "dp-201")
        one.device.faults[fault] = size
        run(one, pressure)
        assert shown(one, archive, "dp-201") - before == pytest.approx(error, abs=0.6)


def test_excess_noise_has_its_size(archive: Site) -> None:
    one = channel(archive, "dp-201", 20.0)
    one.device.faults["excess-noise"] = 4.0
    assert pstdev(run(one, 20.0, steps=2000)) / 16.0 * 125.0 == pytest.approx(4.0, rel=0.1)


def test_spikes_are_rare_and_large(archive: Site) -> None:
    one = channel(archive, "dp-201", 20.0)
    one.device.faults["spikes"] = 40.0
    pressures = [(s - 4.0) / 16.0 * 125.0 - 25.0 for s in run(one, 20.0, steps=4000)]
    high = [p for p in pressures if p > 35.0]
    assert 0.02 < len(high) / len(pressures) < 0.2
    assert max(high) > 50.0


def test_errors_of_a_new_device_are_within_its_accuracy(archive: Site) -> None:
    noun = archive.transducers["dp-201"]
    for seed in range(40):
        device = Device(seed, "x", noun, TIME, 50.0)
        signals = [device.step(0.5, 50.0, 11.0) for _ in range(60)]
        read = (fmean(signals) - 4.0) / 16.0 * 125.0 - 25.0
        assert abs(read - 50.0) < 0.01 * 125.0


def test_wander_keeps_its_spread_at_any_step() -> None:
    for dt in (0.1, 0.5, 7.0):
        wander = Wander(normals(5, "w"), 2.0, 5.0)
        values = [wander.step(dt) for _ in range(40_000)]
        assert pstdev(values) == pytest.approx(2.0, rel=0.15)
        assert fmean(values) == pytest.approx(0.0, abs=0.3)


def test_a_calibrator_takes_the_place_of_the_tubes(archive: Site) -> None:
    plant = Plant(archive, seed=1, time=TIME)
    channel = plant.loops["ahu-1-supply"].channels[0]
    plant.switch("ports-swapped", "dp-301", on=True)
    plant.switch("calibrator", "dp-301", 1.5, on=True)
    plant.step(5.0)
    assert channel.electrical == pytest.approx(7.5, abs=0.1), "1.5 of 0 to 2 inH2O on 0-10 V"


def test_exchanged_wires_bring_each_signal_to_the_other_input(archive: Site) -> None:
    plant = Plant(archive, seed=1, time=TIME)
    for key, pressure in (("dp-201", 0.0), ("dp-202", 75.0)):
        plant.switch("calibrator", key, pressure, on=True)
    first, second = plant.loops["stair-b"].channels
    plant.step(5.0)
    # 0 and 75 Pa of -25 to 100 on 4-20 mA, 1600 counts a mA.
    assert (first.counts, second.counts) == pytest.approx((11_520, 26_880), abs=350)
    plant.switch("inputs-swapped", "stair-b", on=True)
    plant.step(1.0)
    assert (second.counts, first.counts) == pytest.approx((11_520, 26_880), abs=350)
