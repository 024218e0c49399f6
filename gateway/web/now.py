"""What is: the latest snapshot with its age, in the shape that the pages are fed with."""

from __future__ import annotations

from collections.abc import Mapping
from math import isnan

from pydantic import BaseModel, Field

from gateway.alarm.conditions import believed
from gateway.diagnose.consequence import CAUTION, allowed_pressure, door_force
from gateway.diagnose.feedback import TOLERANCE_OF_SPAN
from gateway.errors import Fault
from gateway.live import Live, Snapshot
from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import columns
from gateway.plant.site import Site
from gateway.views import (
    FindingView,
    LinkView,
    LoopView,
    SinkView,
    TransducerView,
    finding_view,
    link_views,
    loop_view,
    number,
    pressure,
    sink_views,
    transducer_views,
)

from .frame import Frame, Framing
from .refusals import RefusalError


class DoorView(BaseModel):
    """The door that the pressure acts on: an aid, the caution belongs to it."""

    force_N: float | None = Field(
        description="To set it in motion, at the knob, against the pressure by the transducers "
        "that can be believed."
    )
    force_limit_N: float = Field(description="From the site file.")
    pressure_limit: float | None = Field(
        description="Pressure at which it reaches its limit, in the unit of the loop."
    )
    caution: str


class LoopNow(LoopView):
    """One loop at this instant, whether the controller's feedback agrees with ours, its door."""

    feedback_tolerance: float | None = Field(
        description="How far feedback and combined pressure may differ, in `unit`."
    )
    feedback_agrees: bool | None = Field(description="None when one of the two is missing.")
    without: list[str] = Field(
        description="Transducers of the loop that cannot be believed: `believed` leaves them out."
    )
    believed: float | None = Field(
        description="Combined pressure by the transducers that can be believed, in `unit`."
    )
    door: DoorView | None = Field(description="Null where the site file describes none.")


class StateView(Frame):
    """Everything that changes, at one instant."""

    loops: list[LoopNow]
    transducers: list[TransducerView] = Field(description="Those that no loop uses.")
    findings: list[FindingView] = Field(description="Open ones that touch no loop.")
    links: list[LinkView]
    sinks: list[SinkView]


def feedback_tolerances(site: Site) -> dict[str, float]:
    """Pa by loop: how far the reported feedback may be from ours (as `combination-mismatch`)."""
    points = columns(site).points
    where = {ref: k for k, ref in enumerate(points.refs)}
    out = {}
    for key, loop in site.loops.items():
        span = max(site.transducers[k].span_pa for k in loop.transducers)
        step = 0.0
        if loop.feedback in where:
            k = where[loop.feedback]
            step = float(points.step[k] * points.pa[k])
        out[key] = TOLERANCE_OF_SPAN * span + step
    return out


class Now:
    """The latest snapshot in the shape that programs and pages are fed with."""

    def __init__(self, live: Live, framing: Framing) -> None:
        self._live = live
        self._framing = framing
        self._tolerances = feedback_tolerances(live.site)
        self._columns = columns(live.site)
        self._known: tuple[Snapshot, tuple[Floats, Bools]] | None = None

    def snapshot(self) -> Snapshot:
        """The latest snapshot; RefusalError (503) before the first."""
        if self._live.latest is None:
            raise RefusalError(503, Fault("rows", "none yet", "a later try, after the first poll"))
        return self._live.latest

    def loops(self) -> list[LoopNow]:
        """Every loop, in file order; RefusalError (503) before the first row."""
        snapshot = self.snapshot()
        return self._loops(snapshot, transducer_views(self._live.site, snapshot))

    def loop(self, key: str, members: Mapping[str, TransducerView] | None = None) -> LoopNow:
        """One loop; KeyError for an unknown id, RefusalError (503) before the first row.

        members: its transducers where they are known already.
        """
        return self.at(self.snapshot(), key, members)

    def at(
        self, snapshot: Snapshot, key: str, members: Mapping[str, TransducerView] | None = None
    ) -> LoopNow:
        """One loop as a snapshot has it; as `loop`."""
        view = loop_view(self._live.site, snapshot, key, members)
        tolerance, agrees = self.agreement(snapshot, key)
        pascals, without = self._believed(snapshot, key)
        return LoopNow(
            **vars(view),
            feedback_tolerance=pressure(tolerance, view.unit),
            feedback_agrees=agrees,
            without=without,
            believed=pressure(pascals, view.unit),
            door=self._door(key, pascals),
        )

    def state(self) -> StateView:
        """Everything that changes."""
        site, latest = self._live.site, self._live.latest
        transducers = transducer_views(site, latest) if latest else []
        return StateView(
            **self._framing.fields(latest),
            loops=self._loops(latest, transducers) if latest else [],
            transducers=[view for view in transducers if not view.loops],
            findings=[finding_view(f) for f in latest.findings if not f.loops] if latest else [],
            links=link_views(site, latest.links if latest else {}),
            sinks=sink_views(latest.sinks if latest else self._live.sinks),
        )

    def agreement(self, snapshot: Snapshot, key: str) -> tuple[float, bool | None]:
        """How far a loop's feedback may be from ours, Pa, and whether it agrees; None: unknown."""
        now, column = snapshot.readings, self._live.site.loop_column(key)
        tolerance = self._tolerances[key]
        apart = abs(float(now.feedback[0, column]) - float(now.combined[0, column]))
        return tolerance, None if isnan(apart) else apart <= tolerance

    def _door(self, key: str, pascals: float) -> DoorView | None:
        site = self._live.site
        door = site.loops[key].door
        if door is None:
            return None
        return DoorView(
            force_N=number(door_force(door, pascals), 4),
            force_limit_N=door.force_limit_N,
            pressure_limit=pressure(allowed_pressure(door), site.loop_unit(key)),
            caution=CAUTION,
        )

    def _believed(self, snapshot: Snapshot, key: str) -> tuple[float, list[str]]:
        """A loop's pressure in Pa by the transducers that can be believed, and those that cannot.

        Worked out once for all loops of a snapshot.
        """
        if self._known is None or self._known[0] is not snapshot:
            made = believed(self._columns, snapshot.readings, snapshot.findings)
            self._known = snapshot, made
        pressures, doubted = self._known[1]
        site, ids = self._live.site, self._columns.transducers.ids
        without = [one for one in site.loops[key].transducers if doubted[ids.index(one)]]
        return float(pressures[site.loop_column(key)]), without

    def _loops(self, snapshot: Snapshot, transducers: list[TransducerView]) -> list[LoopNow]:
        members = {view.id: view for view in transducers}
        return [self.at(snapshot, key, members) for key in self._live.site.loops]
