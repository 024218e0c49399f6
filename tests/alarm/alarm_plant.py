"""Sites, findings and a watch for tests of alarms; the numbers are invented."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal

import numpy as np

from gateway.alarm.actions import Action
from gateway.alarm.definitions import Change
from gateway.alarm.machine import Alarms
from gateway.alarm.memory import Stored
from gateway.alarm.transition import Transition
from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.diagnose.findings import Finding
from gateway.measure.blocks import Block, Floats
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from tests.sites import block, counts_for, site, transducer

START = 1_780_272_000.0
"""A whole multiple of 600 s and of a day, so that buckets and days begin with the tests."""
DOOR = {"width_m": 0.91, "height_m": 2.13, "closer_N": 40, "knob_m": 0.075, "force_limit_N": 133}


def plant(
    controllers: int = 1,
    pairs: int = 1,
    *,
    limits: Mapping[str, float] | None = None,
    door: bool = False,
) -> Site:
    """Controllers c0, c1 ... each with `pairs` averaging loops l<c>-<k> of p<c>-<k>a and -<k>b.

    Transducers are -25 to 100 Pa; every loop has a running point.
    """
    points: dict[str, Any] = {}
    for k in range(pairs):
        points |= {f"a{k}": {"table": "input", "address": 2 * k}}
        points |= {f"b{k}": {"table": "input", "address": 2 * k + 1}}
        points |= {f"run{k}": {"table": "holding", "address": k}}
    transducers: dict[str, Any] = {}
    loops: dict[str, Any] = {}
    for c in range(controllers):
        for k in range(pairs):
            name = f"{c}-{k}"
            for half in "ab":
                transducers[f"p{name}{half}"] = transducer(f"c{c}.{half}{k}")
            loops[f"l{name}"] = {
                "transducers": [f"p{name}a", f"p{name}b"],
                "combine": "average",
                "running": f"c{c}.run{k}",
                "limits": dict(limits or {}),
                **({"door": DOOR} if door else {}),
            }
    hosts = {f"c{c}": {"host": f"10.0.{c // 250}.{c % 250}", "points": points}
             for c in range(controllers)}  # fmt: skip
    return site(transducers, loops, hosts)


def rows(
    here: Site,
    pressures: Mapping[str, Sequence[float] | Floats],
    running: Mapping[str, Sequence[float] | Floats] | None = None,
    *,
    start: float = START,
    interval: float = 1.0,
) -> Block:
    """Rows by transducer (Pa, -25 to 100; NaN: no answer) and loop; 50 Pa and running else."""
    count = len(next(iter(pressures.values())))
    columns: dict[str, Floats] = {
        noun.counts: np.full(count, counts_for(60.0)) for noun in here.transducers.values()
    }
    columns |= {noun.running: np.ones(count) for noun in here.loops.values() if noun.running}
    for key, values in pressures.items():
        percent = (np.asarray(values, dtype=np.float64) + 25) / 1.25
        columns[here.transducers[key].counts] = counts_for(percent)
    for key, values in (running or {}).items():
        ref = here.loops[key].running
        assert ref
        columns[ref] = np.asarray(values, dtype=np.float64)
    return block(here, columns, start=start, interval=interval)


def quiet(here: Site, count: int, *, start: float = START, interval: float = 1.0) -> Block:
    """Rows in which nothing happens."""
    first = next(iter(here.transducers))
    return rows(here, {first: np.full(count, 50.0)}, start=start, interval=interval)


def finding(
    here: Site,
    fault: str,
    subject: str,
    phase: Literal["raised", "cleared"] = "raised",
    *,
    at: float = 0.0,
    since: float | None = None,
) -> Finding:
    """A finding as the diagnosis would say it, `at` seconds after START."""
    entry = CATALOGUE[fault]
    is_transducer = entry.kind == "transducer"
    began = at if since is None else since
    return Finding(
        fault=fault,
        kind=entry.kind,
        subject=subject,
        phase=phase,
        time=START + at,
        since=START + began,
        status=entry.status,
        confidence=0.9,
        title=entry.title,
        evidence={},
        rivals=entry.rivals,
        next_check=entry.next_check,
        consequence="",
        transducer=subject if is_transducer else None,
        loops=here.loops_of(subject) if is_transducer else (subject,),
    )


class Watch:
    """A gateway's way from rows to alarms, with the findings given."""

    def __init__(
        self,
        here: Site,
        before: Stored | None = None,
        changes: Mapping[str, Change] | None = None,
    ) -> None:
        self.here = here
        self._measure = Measure(here)
        self.alarms = Alarms(here, self._measure.columns, before, changes)
        self.said: list[Transition] = []
        self.now = START

    def see(
        self, part: Block, events: Iterable[Finding] = (), standing: Iterable[Finding] = ()
    ) -> list[Transition]:
        """Rows in, transitions out."""
        fresh = list(self.alarms.examine(self._measure.examine(part), tuple(events), standing))
        self.said += fresh
        self.now = float(part.time[-1])
        return fresh

    def wait(self, seconds: int, events: Iterable[Finding] = (), *, interval: float = 1.0) -> (
        list[Transition]
    ):  # fmt: skip
        """Quiet rows up to `seconds` after START, the first one right after what was seen."""
        begin = self.now + interval if self.said or self.now > START else START
        count = round((START + seconds - begin) / interval) + 1
        return self.see(quiet(self.here, count, start=begin, interval=interval), events)

    def do(self, action: Action, at: float | None = None) -> list[Transition]:
        """An action, `at` seconds after START, or now."""
        fresh = list(self.alarms.act(action, self.now if at is None else START + at))
        self.said += fresh
        return fresh

    def state(self, alarm: str) -> str:
        """The state of an alarm in words."""
        memory = self.alarms.stored.alarms.get(alarm)
        return memory.state.value if memory else "normal"

    def shown(self) -> list[str]:
        """Ids of what asks for attention, gravest first."""
        return [one.definition.id for one in self.alarms.standing() if one.shown]


def steps(transitions: Iterable[Transition]) -> list[tuple[float, str, str, str]]:
    """(seconds after START, alarm, event, state) of every transition."""
    return [(t.time - START, t.alarm, t.event.value, t.after.value) for t in transitions]
