"""Which analog inputs a site has, their units, and their numbers for ever."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import rusty_bacnet as rusty
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.errors import StartError
from gateway.plant.controllers import POINT_UNITS
from gateway.publish.bacnet_alarms import Terms
from gateway.publish.bacnet_codes import (
    RELIABILITY,
    TRANSITION_TO,
    UNITS,
    EventState,
    EventType,
    Transition,
)
from gateway.publish.bacnet_inputs import Input, inputs
from gateway.publish.bacnet_numbers import FILE, Numbers, numbered, remembered
from tests.publish.bacnet_site import plant
from tests.publish.made import options

TERMS = {"stair": Terms(deadband_Pa=2.5, delay_s=15.0)}


def made() -> dict[str, Input]:
    return {one.name: one for one in inputs(plant(), TERMS)}


# ASHRAE 135, engineering units: read out of a BACnet library.
@pytest.mark.parametrize(
    ("unit", "number"),
    [
        ("Pa", 53), ("kPa", 54), ("bar", 55), ("psi", 56), ("cmH2O", 57), ("inH2O", 58),
        ("mmHg", 59), ("inHg", 61), ("hPa", 133), ("mbar", 134), ("mmH2O", 206), ("mA", 2),
        ("V", 5), ("%", 98), ("", 95), ("Hz", 27), ("rpm", 104), ("degC", 62), ("s", 73),
    ],
)  # fmt: skip
def test_units_have_the_numbers_of_the_standard(unit: str, number: int) -> None:
    assert UNITS[unit] == number


def test_every_unit_of_the_site_file_has_a_number() -> None:
    assert set(POINT_UNITS) <= set(UNITS)


def test_every_reliability_of_the_catalogue_has_a_number() -> None:
    assert {entry.reliability for entry in CATALOGUE.values()} <= set(RELIABILITY)


# ASHRAE 135, reliability: read out of a BACnet library.
def test_reliabilities_have_the_numbers_of_the_standard() -> None:
    assert RELIABILITY == {
        "no-fault-detected": 0, "no-sensor": 1, "over-range": 2, "under-range": 3,
        "open-loop": 4, "shorted-loop": 5, "unreliable-other": 7, "process-error": 8,
        "configuration-error": 10, "communication-failure": 12,
    }  # fmt: skip


@pytest.mark.parametrize("state", list(EventState))
def test_event_states_agree_with_an_independent_library(state: EventState) -> None:
    assert getattr(rusty.EventState, state.name).to_raw() == state


@pytest.mark.parametrize("kind", list(EventType))
def test_event_types_agree_with_an_independent_library(kind: EventType) -> None:
    assert getattr(rusty.EventType, kind.name).to_raw() == kind


def test_every_state_is_reached_by_one_transition() -> None:
    assert set(TRANSITION_TO) == set(EventState)
    assert set(TRANSITION_TO.values()) == set(Transition)


def test_what_a_site_has() -> None:
    assert list(made()) == [
        "p1 pressure", "p2 pressure", "stair combined pressure", "stair reported feedback",
        "stair set point", "stair output",
    ]  # fmt: skip


def test_descriptions_say_where_and_which_inch() -> None:
    here = made()
    assert here["p1 pressure"].description == "Stair B, level 3; high: stair; low: corridor"
    # NIST SP 811 appendix B.8: the conventional inch of water.
    assert "249.08891 Pa" in here["p2 pressure"].description
    assert here["stair combined pressure"].description == (
        "Stair B pressurization: average of p1, p2"
    )


def test_limits_of_a_loop_and_range_of_a_transducer() -> None:
    one = made()["stair combined pressure"]
    assert (one.low, one.high, one.watched) == (10, 90, (True, True))
    assert (one.deadband, one.delay_s) == (2.5, 15.0)
    p1 = made()["p1 pressure"]
    assert (p1.low, p1.high, p1.watched) == (-25, 100, (False, False))


def test_increments_are_half_a_percent_of_the_span() -> None:
    steps = {name: one.cov_increment for name, one in made().items()}
    assert steps["p1 pressure"] == pytest.approx(0.62)
    assert steps["p2 pressure"] == pytest.approx(0.005)
    assert steps["stair output"] == pytest.approx(0.005 * 45, rel=0.05), "two digits"


NAMES = st.lists(st.sampled_from("abcdefgh"), unique=True)


@given(edits=st.lists(NAMES, min_size=1, max_size=8))
def test_a_number_is_for_ever_and_for_one_name(edits: list[list[str]]) -> None:
    numbers, seen = Numbers(), dict[str, int]()
    for names in edits:
        before = numbers
        numbers = numbered(before, names)
        assert set(names) <= set(numbers.instances)
        assert len(set(numbers.instances.values())) == len(numbers.instances)
        assert seen.items() <= numbers.instances.items()
        changed = set(before.present) != set(names)
        assert numbers.revision == before.revision + changed
        seen = dict(numbers.instances)


def test_numbers_outlive_restarts_and_edits(tmp_path: Path) -> None:
    first = remembered(tmp_path, ["a", "b", "c"])
    assert first.instances == {"a": 1, "b": 2, "c": 3}
    assert remembered(tmp_path, ["a", "b", "c"]) == first
    edited = remembered(tmp_path, ["d", "c", "a"])
    assert edited.instances == {"a": 1, "b": 2, "c": 3, "d": 4}
    assert remembered(tmp_path, ["a", "b", "c"]).instances["b"] == 2
    assert [p.name for p in tmp_path.iterdir()] == [FILE]


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", '{"revision": 1, "instances": {"a": 0}}', '{"other": 1}', "\xff",
     '{"revision": 1, "present": ["a"], "instances": {"a": 1, "b": 1}}'],
)  # fmt: skip
def test_a_spoiled_file_is_left_alone_and_told(tmp_path: Path, text: str) -> None:
    (tmp_path / FILE).write_text(text, encoding="latin-1")
    with pytest.raises(StartError, match=FILE):
        remembered(tmp_path, ["a"])
    assert (tmp_path / FILE).read_text(encoding="latin-1") == text


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(StartError, match="bacnet-objects"):
        remembered(tmp_path / "file", ["a"])


def test_failed_write_leaves_the_old_numbers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = remembered(tmp_path, ["a"])

    def full(*_: Any) -> None:
        raise OSError("no space left")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(StartError, match="no space left"):
        remembered(tmp_path, ["a", "b"])
    monkeypatch.undo()
    assert remembered(tmp_path, ["a"]) == first


@pytest.mark.parametrize(
    ("setting", "value"),
    [
        ("bacnet_address", "0.0.0.0"),
        ("bacnet_address", "plant.example"),
        ("bacnet_address", "192.0.2.10/33"),
        ("bacnet_recipients", "192.0.2.20"),
        ("bacnet_recipients", "192.0.2.20:47808, desk:47808"),
        ("bacnet_recipients", "192.0.2.20:0"),
        ("bacnet_recipients", "192.0.2.20:65536"),
        ("bacnet_recipients", "192.0.2.20:bac0"),
        ("bacnet_device_instance", 4194303),
        ("bacnet_port", 0),
    ],
)
def test_a_wrong_setting_is_told(setting: str, value: object) -> None:
    with pytest.raises(ValidationError, match=setting):
        options(**{setting: value})


def test_settings_as_shipped_are_off() -> None:
    shipped = options()
    assert not shipped.bacnet_enabled
    assert shipped.bacnet_address == "127.0.0.1"
    given = options(
        bacnet_address="192.0.2.10/24", bacnet_recipients="192.0.2.20:47808, 192.0.2.21:1"
    )
    assert given.bacnet_recipients.count(":") == 2
