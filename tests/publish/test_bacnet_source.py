"""The gateway's alarms in the words of the BACnet side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import pytest

from gateway.alarm import actions as do
from gateway.alarm.definitions import Change
from gateway.alarm.states import RefusedError
from gateway.alarm.transition import Transition
from gateway.annunciator import Annunciator
from gateway.publish.bacnet_alarms import AlarmState, Terms
from gateway.publish.bacnet_source import GatewayAlarms
from tests.alarm.alarm_plant import START, Watch, finding, plant, rows

HERE = plant(1, 2, limits={"low": 20, "high": 80})
WIRE = "open-circuit:p0-0a"


@dataclass
class Kept:
    """A logbook that counts."""

    calls: list[int] = field(default_factory=list)

    def trouble(self) -> str:
        return ""

    async def keep(self, transitions: Sequence[Transition]) -> None:
        self.calls.append(len(transitions))


def source(watch: Watch) -> tuple[GatewayAlarms, Annunciator, Kept]:
    kept = Kept()
    alarms = Annunciator(watch.alarms, kept, lambda: watch.now)
    return GatewayAlarms(alarms), alarms, kept


def states(watch: Watch) -> dict[str, AlarmState]:
    return {one.id: one for one in source(watch)[0].states()}


def test_a_finding_and_what_it_explains() -> None:
    watch = Watch(HERE)
    watch.wait(10, [finding(HERE, "open-circuit", "p0-0a", at=5)])
    watch.wait(20, [finding(HERE, "setpoint-not-held", "l0-0", at=12)])
    found = states(watch)
    assert found[WIRE] == AlarmState(
        id=WIRE, fault="open-circuit", kind="transducer", subject="p0-0a", is_fault=True,
        active=True, acknowledged=False, since=START + 5,
        message=watch.alarms.of(WIRE).definition.message, priority="medium",
    )  # fmt: skip
    effect = found["setpoint-not-held:l0-0"]
    assert (effect.suppressed, effect.shelved, effect.cause) == (True, False, WIRE)
    assert not effect.asks


def test_a_limit() -> None:
    watch = Watch(HERE)
    high = [95.0] * 40
    watch.see(rows(HERE, {"p0-0a": high, "p0-0b": high}))
    one = states(watch)["pressure-high:l0-0"]
    assert (one.kind, one.is_fault, one.side, one.limit_Pa) == ("loop", False, 1, 80.0)
    assert one.message == "Pressure above 80 Pa: 95 Pa at first"


def test_what_a_person_takes_away_is_shelved() -> None:
    watch = Watch(HERE)
    watch.wait(10, [finding(HERE, "open-circuit", "p0-0a", at=5)])
    watch.do(do.shelve(WIRE, "Ada", "spare part", START + 600))
    assert states(watch)[WIRE].shelved
    watch.do(do.out_of_service("transducer", "p0-0a", "Ada", "calibration", START + 600))
    assert states(watch)[WIRE].shelved
    assert not states(watch)[WIRE].suppressed


def test_how_limits_are_watched() -> None:
    watch = Watch(HERE, changes={"pressure-high": Change(deadband_Pa=4.0, on_delay_s=7.0)})
    alarms, _, _ = source(watch)
    assert alarms.terms("l0-0") == Terms(4.0, 7.0)
    with pytest.raises(KeyError):
        alarms.terms("nowhere")
    assert source(Watch(plant()))[0].terms("l0-0") == Terms(0.0, 0.0)


async def test_acknowledging_what_others_have_seen_waits_for_the_disk_and_is_no_error() -> None:
    watch = Watch(HERE)
    watch.wait(10, [finding(HERE, "open-circuit", "p0-0a", at=5)])
    bacnet, alarms, kept = source(watch)
    await bacnet.acknowledge(WIRE, "desk 3 (BACnet)")
    assert alarms.of(WIRE).memory.acknowledged
    await bacnet.acknowledge(WIRE, "desk 4 (BACnet)")
    watch.wait(60, [finding(HERE, "open-circuit", "p0-0a", "cleared", at=12, since=5)])
    assert alarms.of(WIRE).memory.state == "normal"
    await bacnet.acknowledge(WIRE, "desk 5 (BACnet)")
    assert kept.calls == [1, 0, 0]


async def test_acknowledging_what_is_hidden_is_refused() -> None:
    watch = Watch(HERE)
    watch.wait(10, [finding(HERE, "open-circuit", "p0-0a", at=5)])
    watch.do(do.shelve(WIRE, "Ada", "spare part", START + 600))
    bacnet, _, _ = source(watch)
    with pytest.raises(RefusedError, match="hidden"):
        await bacnet.acknowledge(WIRE, "desk 3")
    with pytest.raises(RefusedError, match="nowhere"):
        await bacnet.acknowledge("frozen:nowhere", "desk 3")
