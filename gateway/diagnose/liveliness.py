"""How a reading moves: too noisy, spiky, too dull, stuck, capped.

Each transducer is compared with its own usual texture and, since doors and fans make every
transducer of a loop lively, with its peers: a judge of stretches of time.
"""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns, Ints, by_size
from gateway.measure.hold import zeroed

from . import lag, texture, usual
from .character import FAULTS, FLAT_TOP, NONE, Signs, name
from .character import SPIKES as SPIKY
from .clipping import Clipping
from .detector import Condition
from .following import Following
from .minutes import Minutes, peers
from .opinion import Opinion
from .picture import RUNNING, STOPPED, Picture
from .place import NEAR, Place
from .roughness import Roughness
from .spikes import Spikes
from .states import MIXED
from .stretches import Closed, Stretches, paces

LEAST = 15
"""Good readings without which a stretch says nothing."""
CALLS = 3.0
"""Usual deviations of single rows by which the peers must call for more than the top."""
HUSHED = 2.0
"""Counts of noise that the rounding and the noise of an input alone may make (common practice)."""
HEARD = 4.0
"""Nats from which on some evidence of standing still is there."""
TESTED = (3, 30, 6, 6, 3, 10)
"""Stretches from which on "nothing wrong" is an answer, and confidence, in the order of FAULTS."""
SURE = (0.7, 0.6, 0.6, 0.7, 0.8, 0.8)
NUMBERS = (
    "noise_Pa", "usual_noise_Pa", "reading_Pa", "peers_Pa", "excursions_in_ten", "largest_Pa",
    "top_Pa",
)  # fmt: skip


def livelinesses(columns: Columns, picture: Picture, arl0: float) -> tuple[Liveliness, ...]:
    """A judge for each length of stretch that the site's polling asks for."""
    return tuple(
        Liveliness(columns, picture, arl0, every, which) for every, which in paces(columns).items()
    )


class Liveliness:
    """Judge of FAULTS on the transducers `which` (T,), in stretches of every_s seconds."""

    def __init__(
        self, columns: Columns, picture: Picture, arl0: float, every_s: float, which: Bools,
        learnt: usual.Usual | None = None,
    ) -> None:  # fmt: skip
        t = columns.transducers
        n = len(t.ids)
        self._columns, self._picture, self._which = columns, picture, which
        self._interval = columns.controllers.interval[t.controller]
        self._by = f"stretches of {every_s:g} s"
        # Signals in volts end at 10 or less, those in milliamps at 20.
        self._voltage: Bools = t.signal_high <= 10.0
        self._groups = by_size(columns.loops, without=("sum", "difference"))
        self._before = np.full((2, texture.TAIL, n), np.nan)
        self._stretches = Stretches(columns, every_s)
        self.usual = learnt or usual.blank(n)
        self._roughness = Roughness(t.tolerance, arl0)
        self._following = Following(n, arl0)
        self._clipping, self._spikes, self._place = Clipping(n), Spikes(t), Place(t)
        self.opinion = Opinion(n, len(NUMBERS))

    def examine(
        self, readings: Readings, minutes: Minutes, trouble: Bools
    ) -> tuple[Condition, ...]:
        """(R, T) conditions of FAULTS. trouble: (R, L) where link or wire are wrong."""
        o = self.opinion
        stands, rows = [(o.fault, o.tested, o.evidence)], [0]
        for closed in self._stretches.examine(readings, minutes, trouble):
            self._close(closed)
            stands.append((o.fault, o.tested, o.evidence))
            rows.append(closed.row)
        lasts = np.diff([*rows, len(readings)])
        fault, tested, numbers = (
            np.repeat(kind, lasts, axis=0) for kind in zip(*stands, strict=True)
        )
        evidence = {key: numbers[:, k] for k, key in enumerate(NUMBERS)}
        here = readings.fresh & self._which
        return tuple(
            Condition(
                word, fault == code, here & ((tested >= TESTED[code]) | (fault != NONE)),
                evidence, confidence=SURE[code], by=self._by,
            )
            for code, word in enumerate(FAULTS)
        )  # fmt: skip

    def forget(self, loop: int) -> None:
        """Start again with one loop, after work on it."""
        which = self._columns.loops.has[loop]
        for part in (
            self._roughness, self._following, self._clipping, self._spikes, self._place,
            self.opinion,
        ):  # fmt: skip
            part.forget(which)
        usual.forget(self.usual, which)

    def _close(self, c: Closed) -> None:
        """Judge one stretch, then learn from it."""
        # Who has a fault, or is pinned, is no peer.
        fit = (self.opinion.fault == NONE) & ~c.pinned
        stretch = texture.pack(
            c.own, peers(c.own, np.isfinite(c.own) & fit, self._groups), self._before
        )
        self._before = stretch.after()
        there = self._which & c.quiet & (stretch.count >= LEAST)
        look = texture.look(stretch, self._columns.transducers.resolution)
        sound = (there & fit & np.isfinite(look.level))[None]
        beside = look.level - peers(look.level[None], sound, self._groups)[0]
        there &= np.isfinite(beside) & np.isfinite(look.gap)
        told = there & (c.state != MIXED)
        self._place.step(look, c.state, told, self.usual)
        noise = self._usually(c.state)
        self._spikes.step(stretch, look.noise, zeroed(noise), told, self._place.near)
        signs = self._signs(c, stretch, look, beside, there)
        change = self.opinion.take(name(signs), there, self._roughness.dull)
        self._clipping.note(change & (self.opinion.fault == FLAT_TOP), look.top)
        self._note(look, noise, there, told & np.isfinite(noise))
        self._learn(c.state, told, look, beside)
        self._learn_lag(c, stretch, told)

    def _usually(self, state: Ints) -> Floats:
        """(T,) Pa, usual noise in this state, NaN where it is not known."""
        at, u = (np.maximum(state, 0), np.arange(len(state))), self.usual
        return np.where(u.ready()[at], np.exp(u.noise[at] / 2), np.nan)

    def _signs(
        self, c: Closed, stretch: texture.Stretch, look: texture.Look, beside: Floats, there: Bools
    ) -> Signs:
        t, u, place = self._columns.transducers, self.usual, self._place
        told, running = there & (c.state != MIXED), there & (c.state == RUNNING)
        self._roughness.step(c.time, told, c.state, look.level, beside, u)
        dull = self._roughness.dull
        odd_place = place.odd(c.time, look)
        near = ~odd_place & place.near
        self._following.step(running, near | (dull > 0), look, u)
        # What was before the noise went does not tell whether it stands still now.
        self._following.fresh(dull == 1)
        place.compare(look, running, dull, u)
        sd = np.maximum(np.sqrt(u.around[RUNNING]), t.resolution)
        width = np.exp(u.noise[RUNNING] / 2)
        top = texture.top(stretch, u.gap[RUNNING], CALLS * sd, width)
        ready = u.ready()[RUNNING] & near & place.was_right
        self._clipping.step(there & ready & (dull == 0), running & ready, look, top, width)
        self._clipping.wait(there, dull > 0)
        still, moving = self._following.still(look.white, u)
        return Signs(
            noisy=self._roughness.noisy,
            running=running,
            dull=dull,
            still=still,
            steady=self._following.steady,
            hushed=look.noise <= HUSHED * t.resolution,
            moving=moving,
            deaf=self._following.deaf(u),
            unheard=self._following.evidence >= HEARD,
            away=place.away,
            never_above=place.never_above,
            fall=place.fall,
            waiting=self._clipping.waiting,
            level=self._clipping.level(width),
            clipped=self._clipping.clipped,
            spiky=self._spikes.many(u, c.state, self.opinion.fault == SPIKY),
            odd_place=odd_place,
            voltage=self._voltage,
        )

    def _note(self, look: texture.Look, noise: Floats, there: Bools, tested: Bools) -> None:
        """Keep the numbers of this stretch."""
        top = np.where(self._clipping.clipped, self._clipping.top, look.top)
        seen, largest = self._spikes.seen, self._spikes.largest
        numbers = np.stack([look.noise, noise, look.own, look.peers, seen, largest, top])
        self.opinion.evidence = np.where(there, numbers, self.opinion.evidence)
        self.opinion.tested = self.opinion.tested + tested

    def _learn(self, state: Ints, told: Bools, look: texture.Look, beside: Floats) -> None:
        u, f, has = self.usual, self._following, self._columns.loops.has
        tiny = (self._columns.transducers.resolution / 20) ** 2
        suspect = (has & (self.opinion.fault != NONE)).any(axis=1)
        calm = told & ~(has & suspect[:, None]).any(axis=0)
        seen = {
            "noise": look.level,
            "beside": beside,
            "gap": look.gap,
            "around": look.about(np.where(u.count[RUNNING] > 0, u.gap[RUNNING], look.gap)),
            "slope": look.slope,
            "apart": np.log((f.own - f.peers) ** 2 + tiny),
            "moves": np.log(f.own**2 + tiny),
            "spikes": self._spikes.latest,
        }
        for code in (RUNNING, STOPPED):
            away = np.abs(look.gap - u.gap[code]) > NEAR * np.sqrt(u.around[code])
            usual.learn(u, code, calm & (state == code) & ~(u.ready()[code] & away), seen)

    def _learn_lag(self, c: Closed, stretch: texture.Stretch, told: Bools) -> None:
        which = told & (c.state == RUNNING) & (self.opinion.fault == NONE)
        if (which & (self._picture.lag_count < lag.FULL)).any():
            rows = lag.lag_rows(stretch.own[texture.TAIL :], stretch.peers[texture.TAIL :])
            lag.learn_lag(self._picture, which, rows * self._interval)
