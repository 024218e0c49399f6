"""What is: the latest snapshot with its age, in the shape that the pages are fed with."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from math import isnan

from pydantic import BaseModel, Field

from gateway.diagnose.feedback import TOLERANCE_OF_SPAN
from gateway.errors import Fault
from gateway.live import Live, Snapshot
from gateway.measure.columns import columns
from gateway.plant.site import Site
from gateway.views import (
    FindingView,
    LinkView,
    LoopView,
    SinkView,
    TransducerView,
    finding_view,
    iso,
    link_views,
    loop_view,
    pressure,
    sink_views,
    transducer_views,
)

from .board import AlarmTally, Board
from .refusals import RefusalError

FRESH_ROWS = 3.0
FRESH_MORE_S = 2.0
"""A row older than 3 intervals and 2 s is no longer shown as live."""


class LoopNow(LoopView):
    """One loop at this instant, and whether the controller's feedback agrees with ours."""

    feedback_tolerance: float | None = Field(
        description="How far feedback and combined pressure may differ, in `unit`."
    )
    feedback_agrees: bool | None = Field(description="None when one of the two is missing.")


class StateView(BaseModel):
    """Everything that changes, at one instant."""

    site: str
    revision: str = Field(description="Changes with the site file and with the program.")
    time: str | None = Field(description="When the latest row was taken; None before the first.")
    age_s: float | None = Field(description="How old that row was when this was sent.")
    fresh_within_s: float = Field(description="A row older than this is not live any more.")
    interval_s: float = Field(description="Usual time from row to row.")
    loops: list[LoopNow]
    transducers: list[TransducerView] = Field(description="Those that no loop uses.")
    findings: list[FindingView] = Field(description="Open ones that touch no loop.")
    alarms: AlarmTally
    links: list[LinkView]
    sinks: list[SinkView]
    troubles: list[str] = Field(description="What is wrong with the gateway itself.")


def interval_of(site: Site) -> float:
    """Seconds from row to row."""
    return min((c.interval_s for c in site.controllers.values()), default=1.0)


def fresh_within(site: Site) -> float:
    """Seconds that a row may be old and still be shown as live."""
    return FRESH_ROWS * interval_of(site) + FRESH_MORE_S


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
    """The latest state; encoded once for all who read it within the same second."""

    def __init__(self, live: Live, clock: Callable[[], float], revision: str, board: Board) -> None:
        self._live = live
        self._board = board
        self._clock = clock
        self._revision = revision
        self._tolerances = feedback_tolerances(live.site)
        self._columns = {key: k for k, key in enumerate(live.site.loops)}
        self._encoding = asyncio.Lock()
        self._encoded: tuple[tuple[int, int], bytes] = ((-1, -1), b"")

    def snapshot(self) -> Snapshot:
        """The latest snapshot; RefusalError (503) before the first."""
        if self._live.latest is None:
            raise RefusalError(503, Fault("rows", "none yet", "a later try, after the first poll"))
        return self._live.latest

    def age(self) -> float | None:
        """Seconds since the latest row was taken, None before the first."""
        latest = self._live.latest
        if latest is None:
            return None
        return max(0.0, self._clock() - (latest.time - latest.clock.ahead_s))

    def until(self) -> float:
        """The end of what there is to show: now, or the latest row where that is ahead of now."""
        latest = self._live.latest
        return max(self._clock(), latest.time + 0.001 if latest else 0.0)

    def loops(self) -> list[LoopNow]:
        """Every loop, in file order; RefusalError (503) before the first row."""
        snapshot = self.snapshot()
        return self._loops(snapshot, transducer_views(self._live.site, snapshot))

    def loop(self, key: str, members: Mapping[str, TransducerView] | None = None) -> LoopNow:
        """One loop; KeyError for an unknown id, RefusalError (503) before the first row.

        members: its transducers where they are known already.
        """
        return self._loop(self.snapshot(), key, members)

    def state(self) -> StateView:
        """Everything that changes."""
        site, latest, age = self._live.site, self._live.latest, self.age()
        transducers = transducer_views(site, latest) if latest else []
        return StateView(
            site=site.site.id,
            revision=self._revision,
            time=iso(latest.time) if latest else None,
            age_s=round(age, 3) if age is not None else None,
            fresh_within_s=fresh_within(site),
            interval_s=interval_of(site),
            loops=self._loops(latest, transducers) if latest else [],
            transducers=[view for view in transducers if not view.loops],
            findings=[finding_view(f) for f in latest.findings if not f.loops] if latest else [],
            alarms=self._board.tally(),
            links=link_views(site, latest.links if latest else {}),
            sinks=sink_views(latest.sinks if latest else self._live.sinks),
            troubles=list(latest.troubles.values()) if latest else [],
        )

    async def encoded(self) -> bytes:
        """The state as JSON; made in a thread, since a large site takes a while."""
        async with self._encoding:
            latest, age = self._live.latest, self.age()
            key = (latest.number if latest else -1, int(age or 0))
            if self._encoded[0] != key or latest is None:
                self._encoded = (key, await asyncio.to_thread(self._encode))
            return self._encoded[1]

    def _encode(self) -> bytes:
        return self.state().model_dump_json().encode()

    def _loops(self, snapshot: Snapshot, transducers: list[TransducerView]) -> list[LoopNow]:
        members = {view.id: view for view in transducers}
        return [self._loop(snapshot, key, members) for key in self._live.site.loops]

    def _loop(
        self, snapshot: Snapshot, key: str, members: Mapping[str, TransducerView] | None = None
    ) -> LoopNow:
        site = self._live.site
        view = loop_view(site, snapshot, key, members)
        column = self._columns[key]
        apart = abs(
            float(snapshot.readings.feedback[0, column])
            - float(snapshot.readings.combined[0, column])
        )
        tolerance = self._tolerances[key]
        return LoopNow(
            **vars(view),
            feedback_tolerance=pressure(tolerance, view.unit),
            feedback_agrees=None if isnan(apart) else apart <= tolerance,
        )
