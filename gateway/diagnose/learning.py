"""When a minute is learnt: an hour late, and only if nothing turned up meanwhile.

A fault is seen some minutes after it began; had those minutes been learnt at once, it would have
taught itself as normal.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Columns, Ints

from .minutes import Minutes
from .picture import RUNNING, STOPPED, Picture, learn, learn_speed

LATE = 60
"""Minutes between a minute and its being learnt."""


@dataclass(frozen=True)
class _Minute:
    time: float
    seen: dict[str, Floats]
    running: Bools
    stopped: Bools
    """(T,) which transducers it tells of, by state."""
    speed: Bools
    ratio: Floats
    """(L,) loops whose speed it tells of, and combined pressure over squared output."""


class Learning:
    """Feeds the picture; minutes wait here for their hour."""

    def __init__(self, columns: Columns, picture: Picture, loop: Ints) -> None:
        self._loops, self._picture, self._loop = columns.loops, picture, loop
        self._waiting: deque[_Minute] = deque()

    def take(self, minutes: Minutes, k: int, running: Bools, stopped: Bools, wrong: Bools) -> None:
        """Take in minute k; wrong: (T,) where a change stands. Its loop's minutes are dropped."""
        upset = np.asarray((self._loops.has & wrong).any(axis=1), dtype=np.bool_)
        self._drop(upset)
        calm = ~upset[self._loop] if len(upset) else ~wrong
        members = self._loops.has.sum(axis=1)
        complete = (self._loops.has & running & calm).sum(axis=1) == members
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = minutes.combined[k] / minutes.output[k] ** 2
        self._waiting.append(
            _Minute(
                time=float(minutes.start[k]),
                seen=self._seen(minutes, k),
                running=running & calm,
                stopped=stopped & calm,
                speed=complete & (minutes.output[k] > 0),
                ratio=ratio,
            )
        )
        if len(self._waiting) > LATE:
            self._learn(self._waiting.popleft())

    def _seen(self, minutes: Minutes, k: int) -> dict[str, Floats]:
        return {
            "difference": minutes.peer.x[k] - minutes.peer.y[k],
            "drive": (minutes.output[k] ** 2)[self._loop],
            "level": minutes.mean[k],
            "noise": minutes.rough[k] ** 2 / 2,
            "wander": minutes.sd[k] ** 2,
            "moving": minutes.changes[k] / np.maximum(minutes.count[k] - 1, 1),
            "together": minutes.peer.xy[k],
            "peer_wander": minutes.peer.yy[k],
        }

    def _drop(self, upset: Bools) -> None:
        """Let the waiting minutes of loops with a change tell nothing of them."""
        if not upset.any():
            return
        calm = ~upset[self._loop]
        for minute in self._waiting:
            minute.running[:] &= calm
            minute.stopped[:] &= calm
            minute.speed[:] &= ~upset

    def _learn(self, minute: _Minute) -> None:
        learn(self._picture, RUNNING, minute.running, minute.time, minute.seen)
        learn(self._picture, STOPPED, minute.stopped, minute.time, minute.seen)
        learn_speed(self._picture, minute.speed, minute.ratio)

    def forget(self, loop: int) -> None:
        """Drop the waiting minutes of one loop, after work on it."""
        upset = np.zeros(len(self._loops.ids), dtype=np.bool_)
        upset[loop] = True
        self._drop(upset)
