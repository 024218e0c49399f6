"""Which alarms a site has, how grave they are, and the figures they start with."""

from __future__ import annotations

from pathlib import Path

import pytest

from gateway.alarm.definitions import Change, Definitions
from gateway.alarm.transition import Priority
from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.diagnose.consequence import allowed_pressure
from gateway.plant.sitefile import read_site
from tests.alarm.alarm_plant import DOOR, plant
from tests.sites import site, transducer

EXAMPLE = read_site(Path(__file__).parents[2] / "config" / "harbour-archive.toml")


def test_every_finding_on_every_subject_has_an_alarm() -> None:
    named = {d.id for d in Definitions(EXAMPLE).all() if d.source == "finding"}
    subjects = {
        "controller": EXAMPLE.controllers,
        "transducer": EXAMPLE.transducers,
        "loop": EXAMPLE.loops,
    }
    wanted = {f"{f}:{s}" for f, entry in CATALOGUE.items() for s in subjects[entry.kind]}
    assert named == wanted


def test_limits_and_doors_come_from_the_site_file() -> None:
    found = {d.id: d.limit for d in Definitions(EXAMPLE).limits()}
    assert set(found) == {
        "door-force:stair-b",
        "pressure-high:stair-b", "pressure-low:stair-b",
        "pressure-high:ahu-1-supply", "pressure-low:ahu-1-supply",
        "pressure-high:exhaust-plenum", "pressure-low:exhaust-plenum",
    }  # fmt: skip
    low = found["pressure-low:ahu-1-supply"]
    assert low
    # 0.7 conventional inches of water (NIST SP 811: 249.08891 Pa each); 2 % of a 2 inch span.
    assert low.pressure_Pa == pytest.approx(0.7 * 249.08891)
    assert low.deadband_Pa == pytest.approx(0.02 * 2 * 249.08891)
    noun, door = EXAMPLE.loops["stair-b"].door, found["door-force:stair-b"]
    assert noun
    assert door
    assert door.pressure_Pa == pytest.approx(allowed_pressure(noun))


def test_where_the_fan_sucks_the_lower_limit_is_of_too_much() -> None:
    """-464 Pa is below -280 Pa: no open door and no loaded filter does that."""
    here = Definitions(EXAMPLE)
    too_little, too_much = "Is the fan running", "Try the door"
    for alarm, words in (
        ("pressure-low:stair-b", too_little), ("pressure-high:stair-b", too_much),
        ("pressure-low:exhaust-plenum", too_much), ("pressure-high:exhaust-plenum", too_little),
    ):  # fmt: skip
        assert here.of(alarm).next_check.startswith(words), alarm


def test_the_published_door_example() -> None:
    # 0.9 x 2.1 m, closer 53 N, knob 0.075 m, limit 133 N: 77.60 Pa at most. Published sheet,
    # secondary, recomputed.
    door = {"width_m": 0.9, "height_m": 2.1, "closer_N": 53, "force_limit_N": 133}
    here = site(loops={"s": {"transducers": ["p1"], "combine": "single", "door": door}})
    limit = Definitions(here).of("door-force:s").limit
    assert limit
    assert limit.pressure_Pa == pytest.approx(77.60, abs=0.01)


def test_starting_delays_and_deadband_for_pressure() -> None:
    # 15 s from memory; 2 % of span from secondary texts on ISA-18.2.
    d = Definitions(plant(limits={"low": 20, "high": 80})).of("pressure-low:l0-0")
    assert (d.on_delay_s, d.off_delay_s) == (15, 15)
    assert d.limit
    assert d.limit.deadband_Pa == pytest.approx(0.02 * 125)
    assert not d.latching


def test_limits_close_together_leave_room_for_the_way_back() -> None:
    d = Definitions(plant(limits={"low": 50, "high": 54})).of("pressure-high:l0-0")
    assert d.limit
    assert d.limit.deadband_Pa == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("alarm", "door", "limited", "bare"),
    [
        ("open-circuit:p0-0a", "high", "medium", "low"),
        ("over-range:p0-0a", "medium", "low", "low"),
        ("zero-drift:p0-0a", "low", "low", "low"),
        ("no-communication:c0", "medium", "low", "low"),
        ("disagreement:l0-0", "medium", "low", "low"),
        ("pressure-high:l0-0", "high", "medium", None),
        ("many-transducers:c0", "high", "medium", "medium"),
        ("many-alarms:test", "high", "high", "high"),
    ],
)
def test_priority_follows_status_and_what_is_at_stake(
    alarm: str, door: str, limited: str, bare: str | None
) -> None:
    limits = {"low": 20.0, "high": 80.0}
    with_door = Definitions(plant(limits=limits, door=True))
    assert with_door.of(alarm).priority == door
    assert Definitions(plant(limits=limits)).of(alarm).priority == limited
    if bare is None:
        with pytest.raises(KeyError):
            Definitions(plant()).of(alarm)
    else:
        assert Definitions(plant()).of(alarm).priority == bare


def test_a_site_may_want_it_otherwise_for_a_fault_or_for_one_alarm() -> None:
    changes = {
        "pressure-high": Change(on_delay_s=60, deadband_Pa=1.5),
        "pressure-high:l0-0": Change(priority=Priority.LOW, latching=True),
    }
    one = Definitions(plant(limits={"high": 80}, pairs=2), changes)
    mine, other = one.of("pressure-high:l0-0"), one.of("pressure-high:l0-1")
    assert (mine.on_delay_s, mine.priority, mine.latching) == (60, "low", True)
    assert (other.on_delay_s, other.priority, other.latching) == (60, "medium", False)
    assert mine.limit
    assert mine.limit.deadband_Pa == 1.5


@pytest.mark.parametrize(
    "alarm", ["open-circuit:nobody", "no-such-fault:p0-0a", "pressure-low:l0-0", "open-circuit", ""]
)
def test_an_alarm_that_the_site_does_not_have(alarm: str) -> None:
    with pytest.raises(KeyError):
        Definitions(plant(limits={"high": 80})).of(alarm)


def test_what_stands_between_two_things_that_share_a_name() -> None:
    # A transducer, a loop and a controller may carry the same name; alarms tell them apart.
    points = {"c1": {"table": "input", "address": 0}}
    here = site(
        {"x": transducer("x.c1")},
        {"x": {"transducers": ["x"], "combine": "single", "limits": {"high": 60}}},
        {"x": {"host": "10.0.0.1", "points": points}},
    )
    kinds = {d.id: d.kind for d in Definitions(here).all()}
    assert kinds["open-circuit:x"] == "transducer"
    assert kinds["no-communication:x"] == "controller"
    assert kinds["pressure-high:x"] == "loop"


def test_every_alarm_says_what_it_is_and_what_to_check() -> None:
    assert all(d.message and d.next_check for d in Definitions(EXAMPLE).all())


def test_causes_rank_before_consequences() -> None:
    one = Definitions(plant(limits={"low": 20, "high": 80}, door=True))
    order = ["many-alarms:test", "many-transducers:c0", "no-communication:c0", "open-circuit:p0-0a",
             "disagreement:l0-0", "door-force:l0-0", "pressure-high:l0-0"]  # fmt: skip
    assert sorted(order, key=lambda k: one.of(k).rank) == order
    for d in one.all():
        for cause in (*d.entry.blocked_by, *d.entry.follows) if d.entry else ():
            ranks = [other.rank for other in one.all() if other.fault == cause]
            assert all(rank < d.rank for rank in ranks), (cause, d.fault)


def test_a_deadband_leaves_a_way_back_whatever_the_transducers_could_show() -> None:
    """2 % of a span of 5000 Pa is more than all that a door allows: it would never come back."""
    wide = {key: transducer(f"a.c{k}", range=[0, 5000]) for k, key in enumerate(("p1", "p2"), 1)}
    stair = {"transducers": ["p1", "p2"], "combine": "average"}

    def bands(**more: object) -> dict[str, float]:
        known = Definitions(site(wide, {"stair": {**stair, **more}})).limits()
        return {d.fault: d.limit.deadband_Pa for d in known if d.limit}

    assert bands(limits={"high": 60}) == {"pressure-high": 15}
    assert bands(limits={"high": -20}) == {"pressure-high": 5}
    assert bands(limits={"low": 0}) == {"pressure-low": 100}
    assert bands(limits={"low": 1000}) == {"pressure-low": 100}
    both = bands(limits={"low": 20, "high": 60}, door=DOOR)
    assert both == {"door-force": 10, "pressure-high": 10, "pressure-low": 10}
    assert bands(door=DOOR)["door-force"] == pytest.approx(88.05155531668456 / 4)
