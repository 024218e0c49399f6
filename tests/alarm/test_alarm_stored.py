"""What comes back after a crash, as JSON."""

from __future__ import annotations

import json

import pytest

from gateway.alarm import actions as do
from gateway.alarm.definitions import Change
from gateway.alarm.memory import Stored, restore
from gateway.alarm.stored import from_dict, to_dict
from tests.alarm.alarm_plant import START, Watch, finding, plant

HERE = plant(2, 2, limits={"low": 20, "high": 80}, door=True)


def busy() -> Watch:
    """Alarms in many states: latched, shelved, out of service, explained, acknowledged."""
    watch = Watch(HERE, changes={"tube-off": Change(latching=True)})
    watch.wait(10, [finding(HERE, "open-circuit", "p0-0a", at=4), finding(HERE, "tube-off", "p0-0a",
               at=5), finding(HERE, "tube-off", "p1-0a", at=5)])  # fmt: skip
    watch.wait(20, [finding(HERE, "tube-off", "p1-0a", "cleared", at=12, since=5)])
    watch.do(do.shelve("open-circuit:p0-0a", "Ada", "spare part ordered", START + 3600))
    watch.do(do.out_of_service("transducer", "p1-1a", "Ben", "calibration", START + 7200))
    watch.wait(120)
    return watch


def test_everything_comes_back_from_json() -> None:
    stored = busy().alarms.stored
    assert {m.state.value for m in stored.alarms.values()} >= {
        "shelved", "out of service", "suppressed by design", "latched unacknowledged"
    }  # fmt: skip
    assert from_dict(json.loads(json.dumps(to_dict(stored), allow_nan=False))) == stored


def test_nothing_comes_back_as_nothing() -> None:
    assert from_dict(json.loads(json.dumps(to_dict(Stored()), allow_nan=False))) == Stored()


def test_a_part_on_top_of_what_was_stored_is_the_whole() -> None:
    watch = busy()
    for k in range(len(watch.said) + 1):
        earlier = from_dict(to_dict(restore(watch.said[:k])))
        assert restore(watch.said[k:], earlier) == watch.alarms.stored


@pytest.mark.parametrize("change", [{"form": 0}, {"alarms": {"x:y": {"state": "normal"}}}])
def test_another_form_is_refused(change: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"allowed|not of an alarm"):
        from_dict({**to_dict(Stored()), **change})


def test_one_alarm_is_found_also_at_rest() -> None:
    watch = busy()
    assert watch.alarms.of("open-circuit:p0-0a").memory.state == "shelved"
    rest = watch.alarms.of("open-circuit:p0-0b")
    assert (rest.memory.state, rest.shown, rest.consequences) == ("normal", True, ())
    with pytest.raises(KeyError):
        watch.alarms.of("open-circuit:nowhere")
