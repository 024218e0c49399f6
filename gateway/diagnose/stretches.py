"""Rows gathered into stretches of time that bring enough readings to judge how they move.

A stretch is a whole number of minutes in absolute time, so that cutting the history changes
nothing; it closes with a minute.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns, Ints
from gateway.measure.quality import Quality

from .minutes import WIDTH_S, Minutes
from .picture import RUNNING, STOPPED
from .states import MIXED, States

READINGS = 30
"""Polls in a stretch, at least (common practice)."""


@dataclass(frozen=True)
class Closed:
    """One stretch: T transducers, n rows."""

    row: int
    """Row of the block that closed it."""
    time: float
    own: Floats
    """(n, T) Pa, NaN where the row brought no good reading."""
    state: Ints
    """(T,) RUNNING or STOPPED where the loop was settled in it all the time, else MIXED."""
    pinned: Bools
    """(T,) at or beyond an end of range or input most of the time."""
    quiet: Bools
    """(T,) where link and wires of the loop were sound all the time."""


def paces(columns: Columns) -> dict[float, Bools]:
    """Length in seconds of a stretch -> (T,) the transducers that need just that."""
    controllers, t = columns.controllers, columns.transducers
    width = max(WIDTH_S, float(controllers.interval.max(initial=0.0)))
    slowest = controllers.interval[t.controller]
    for members in columns.loops.members:
        slowest[members] = np.maximum(slowest[members], slowest[members].max(initial=0.0))
    length = width * np.ceil(READINGS * slowest / width)
    return {float(every): length == every for every in np.unique(length)}


class Stretches:
    """Turns readings into the stretches they close; remembers the unfinished one."""

    def __init__(self, columns: Columns, every_s: float) -> None:
        n_loops = len(columns.loops.ids)
        self._every = every_s
        self._states = States(columns)
        self._loop = np.zeros(len(columns.transducers.ids), dtype=np.int64)
        for k, members in enumerate(columns.loops.members):
            self._loop[members] = k
        self._rows: list[Floats] = []
        self._doubtful = np.zeros(len(self._loop), dtype=np.int64)
        self._state: Ints | None = None
        self._troubled: Bools = np.zeros(n_loops, dtype=np.bool_)

    def examine(self, readings: Readings, minutes: Minutes, trouble: Bools) -> Iterator[Closed]:
        """The stretches that these rows close, in order. trouble: (R, L)."""
        good = readings.fresh & (readings.quality < Quality.BAD)
        own = np.where(good, readings.pressure, np.nan)
        doubtful = good & (readings.quality == Quality.UNCERTAIN)
        start = 0
        for k, row in enumerate(minutes.row.tolist()):
            self._take(slice(start, row), own, doubtful, trouble)
            self._states.step(minutes, k)
            self._note_state()
            time = float(minutes.start[k])
            if time // self._every != readings.time[row] // self._every:
                yield self._closed(row, time)
            start = row
        self._take(slice(start, None), own, doubtful, trouble)

    def _take(self, part: slice, own: Floats, doubtful: Bools, trouble: Bools) -> None:
        self._rows.append(own[part])
        self._doubtful += doubtful[part].sum(axis=0)
        self._troubled |= trouble[part].any(axis=0)

    def _note_state(self) -> None:
        settled = self._states.settled
        now = np.where(settled(RUNNING), RUNNING, np.where(settled(STOPPED), STOPPED, MIXED))
        before = now if self._state is None else self._state
        self._state = np.where(before == now, now, MIXED)

    def _closed(self, row: int, time: float) -> Closed:
        own = np.concatenate(self._rows)
        n = own.shape[1]
        alone = not len(self._troubled)  # a site without loops has neither state nor trouble
        mixed = np.full(n, MIXED)
        state = mixed if alone or self._state is None else self._state[self._loop]
        quiet = np.ones(n, dtype=np.bool_) if alone else ~self._troubled[self._loop]
        pinned = self._doubtful > len(own) / 2
        self._rows, self._state = [], None
        self._doubtful = np.zeros_like(self._doubtful)
        self._troubled = np.zeros_like(self._troubled)
        return Closed(row, time, own, state, pinned, quiet)
