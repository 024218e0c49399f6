"""How a reading moves: too noisy, spiky, too dull, stuck, capped.

Each transducer is compared with its own usual texture and, since doors and fans make every
transducer of a loop lively, with its peers: a judge of stretches of time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns, Ints, by_size
from gateway.measure.uncertainty import COVERAGE, standard_uncertainty

from . import texture, usual
from .character import FAULTS, FLAT_TOP, FROZEN, NONE, RESTRICTED, Signs, name
from .character import SPIKES as SPIKY
from .clipping import Clipping
from .detector import Condition
from .following import Following
from .minutes import Minutes, peers
from .picture import RUNNING, STOPPED
from .roughness import Roughness
from .states import MIXED
from .stretches import Closed, Stretches, paces

LEAST = 15
"""Good readings without which a stretch says nothing."""
LOUD = 8.0
"""Times the noise that an excursion must reach (common practice)."""
FINEST, SHARE = 3.0, 0.01
"""Counts, and share of the tolerance, that an excursion must reach as well."""
RING, SPIKES = 10, 3.0
"""Stretches looked back over, and excursions in them."""
CALLS = 3.0
"""Usual deviations of single rows by which the peers must call for more than the top."""
CLEARS, STUBBORN = 3, 6
"""Stretches that "nothing wrong" and another opinion must hold before one is given up."""
END = 0.02
"""Share of span near an end of the range where a reading can't be told from a pinned one."""
RIGHT, NEAR = 2.0, 6.0
"""Deviations from the usual difference within which it reads rightly, and within which it and its
peers measure the same pressure."""
BEFORE = 3
"""Stretches that it takes at most to see that the noise is lost."""
HUSHED = 2.0
"""Counts of noise that the rounding and the noise of an input alone may make (common practice)."""
HEARD = 4.0
"""Nats from which on some evidence of standing still is there."""
TESTED = {
    "floating-input": 3, "flat-top": 30, "tube-restricted": 6, "frozen": 6, "excess-noise": 3,
    "spikes": RING,
}  # fmt: skip
"""Stretches from which on "nothing wrong" is an answer."""
SURE = (0.7, 0.6, 0.6, 0.7, 0.8, 0.8)
NUMBERS = (
    "noise_Pa", "usual_noise_Pa", "reading_Pa", "peers_Pa", "excursions_in_ten", "largest_Pa",
    "top_Pa",
)  # fmt: skip


@dataclass
class Opinion:
    """(T,) what is thought at present."""

    fault: Ints
    """Index into FAULTS, NONE for none."""
    tested: Ints
    """Stretches compared since the start."""
    evidence: Floats
    """(NUMBERS, T)."""

    def copy(self) -> Opinion:
        """As it stands, for the rows that follow."""
        return Opinion(self.fault.copy(), self.tested.copy(), self.evidence.copy())


def livelinesses(columns: Columns, arl0: float) -> tuple[Liveliness, ...]:
    """A judge for each length of stretch that the site's polling asks for."""
    return tuple(Liveliness(columns, arl0, every, which) for every, which in paces(columns).items())


class Liveliness:
    """Judge of FAULTS on the transducers `which` (T,), in stretches of every_s seconds."""

    def __init__(
        self, columns: Columns, arl0: float, every_s: float, which: Bools,
        learnt: usual.Usual | None = None,
    ) -> None:  # fmt: skip
        t = columns.transducers
        n = len(t.ids)
        self._columns, self._which = columns, which
        self._by = f"stretches of {every_s:g} s"
        # Signals in volts end at 10 or less, those in milliamps at 20.
        self._voltage: Bools = t.signal_high <= 10.0
        self._groups = by_size(columns.loops, without=("sum", "difference"))
        self._stretches = Stretches(columns, every_s)
        self.usual = learnt or usual.blank(n)
        self._roughness = Roughness(t.tolerance, arl0)
        self._following = Following(n, arl0)
        self._clipping = Clipping(n)
        self._before = np.full((2, texture.TAIL, n), np.nan)
        self._ring: Floats = np.zeros((2, RING, n))
        self._away: Floats = np.zeros(n)
        self._was_right: Bools = np.ones(n, dtype=np.bool_)
        self._owns: Floats = np.full((RING, n), np.nan)
        """Medians of the latest running stretches, newest first."""
        self._once: Floats = np.full(n, np.nan)
        self._highest: Floats = np.full(n, -np.inf)
        self._doubts = np.zeros(n, dtype=np.int64)
        self.opinion = Opinion(
            np.full(n, NONE), np.zeros(n, dtype=np.int64), np.full((len(NUMBERS), n), np.nan)
        )

    def examine(
        self, readings: Readings, minutes: Minutes, trouble: Bools
    ) -> tuple[Condition, ...]:
        """(R, T) conditions of FAULTS. trouble: (R, L) where link or wire are wrong."""
        stands, rows = [self.opinion.copy()], [0]
        for closed in self._stretches.examine(readings, minutes, trouble):
            self._close(closed)
            stands.append(self.opinion.copy())
            rows.append(closed.row)
        lasts = np.diff([*rows, len(readings)])
        fault = np.repeat([s.fault for s in stands], lasts, axis=0)
        tested = np.repeat([s.tested for s in stands], lasts, axis=0)
        numbers = np.repeat([s.evidence for s in stands], lasts, axis=0)
        evidence = {key: numbers[:, k] for k, key in enumerate(NUMBERS)}
        here = readings.fresh & self._which
        return tuple(
            Condition(
                word, fault == code, here & ((tested >= TESTED[word]) | (fault != NONE)),
                evidence, confidence=SURE[code], by=self._by,
            )
            for code, word in enumerate(FAULTS)
        )  # fmt: skip

    def forget(self, loop: int) -> None:
        """Start again with one loop, after work on it."""
        which = self._columns.loops.has[loop]
        for part in (self._roughness, self._following, self._clipping):
            part.forget(which)
        usual.forget(self.usual, which)
        self._ring[:, :, which] = 0.0
        self.opinion.fault[which] = NONE
        self.opinion.tested[which] = 0

    def _close(self, c: Closed) -> None:
        """Judge one stretch, then learn from it."""
        # Who has a fault, or is pinned, is no peer.
        fit = (self.opinion.fault == NONE) & ~c.pinned
        sane = np.isfinite(c.own) & fit
        stretch = texture.pack(c.own, peers(c.own, sane, self._groups), self._before)
        self._before = stretch.after()
        there = self._which & c.quiet & (stretch.count >= LEAST)
        look = texture.look(stretch, self._columns.transducers.resolution)
        sound = (there & fit & np.isfinite(look.level))[None]
        beside = look.level - peers(look.level[None], sound, self._groups)[0]
        there &= np.isfinite(beside) & np.isfinite(look.gap)
        told = there & (c.state != MIXED)
        self._place(look, c.state, told)
        self._count_spikes(stretch, look, c.state, told)
        signs = self._signs(c, stretch, look, beside, there)
        self._decide(name(signs), there, look, c.state)
        self._learn(c.state, told, look, beside)

    def _count_spikes(
        self, stretch: texture.Stretch, look: texture.Look, state: Ints, told: Bools
    ) -> None:
        t, at = self._columns.transducers, (np.maximum(state, 0), np.arange(len(state)))
        quiet = np.where(self.usual.ready()[at], np.exp(self.usual.noise[at] / 2), 0.0)
        least = LOUD * np.fmax(look.noise, quiet)
        least = np.maximum(least, np.maximum(FINEST * t.resolution, SHARE * t.tolerance))
        count, largest = texture.spikes(stretch, least)
        # What comes at every turn is noise.
        isolated = count <= stretch.count / 8
        # Beside peers that measure something else nothing can be told.
        found = np.where(isolated & (np.abs(self._away) < NEAR), np.stack([count, largest]), 0.0)
        self._ring[:, :, told] = np.roll(self._ring, 1, axis=1)[:, :, told]
        self._ring[:, 0, told] = found[:, told]

    def _signs(
        self, c: Closed, stretch: texture.Stretch, look: texture.Look, beside: Floats, there: Bools
    ) -> Signs:
        t, u = self._columns.transducers, self.usual
        told, running = there & (c.state != MIXED), there & (c.state == RUNNING)
        self._roughness.step(c.time, told, c.state, look.level, beside, u)
        dull = self._roughness.dull
        odd_place = self._odd_place(c.time, look)
        near = ~odd_place & (np.abs(self._away) < NEAR)
        self._following.step(running, near | (dull > 0), look, u)
        # What was before the noise went does not tell whether it stands still now.
        self._following.fresh(dull == 1)
        sd = np.maximum(np.sqrt(u.around[RUNNING]), t.resolution)
        width = np.exp(u.noise[RUNNING] / 2)
        top = texture.top(stretch, u.gap[RUNNING], CALLS * sd, width)
        ready = u.ready()[RUNNING] & near & self._was_right
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
            away=self._away,
            never_above=self._highest < 0,
            fall=self._fall(look, running, sd),
            waiting=self._clipping.waiting,
            level=self._clipping.level(width),
            clipped=self._clipping.clipped,
            spiky=self._spiky(c.state),
            odd_place=odd_place,
            voltage=self._voltage,
        )

    def _place(self, look: texture.Look, state: Ints, told: Bools) -> None:
        """Note how far it reads from where it usually does beside its peers."""
        at, u = (np.maximum(state, 0), np.arange(len(state))), self.usual
        sd = np.maximum(np.sqrt(u.around[at]), self._columns.transducers.resolution)
        fresh = told & u.ready()[at]
        self._was_right = np.abs(self._away) < RIGHT
        self._away = np.where(fresh, (look.gap - u.gap[at]) / sd, self._away)
        dull = self._roughness.dull > 0
        self._highest = np.where(dull, np.maximum(self._highest, self._away), -np.inf)

    def _fall(self, look: texture.Look, running: Bools, sd: Floats) -> Floats:
        """(T,) reading less what it was some stretches before it lost its noise, in `sd`."""
        lost = running & (self._roughness.dull == 1)
        self._once = np.where(lost, texture.middle(self._owns[BEFORE:]), self._once)
        self._owns[:, running] = np.roll(self._owns, 1, axis=0)[:, running]
        self._owns[0, running] = look.own[running]
        return np.nan_to_num((look.own - self._once) / sd)

    def _spiky(self, state: Ints) -> Bools:
        """(T,) more excursions than usual, in more than one stretch."""
        usually = RING * self.usual.spikes[np.maximum(state, 0), np.arange(len(state))]
        seen, spread = self._ring[0].sum(axis=0), (self._ring[0] > 0).sum(axis=0)
        limit = SPIKES + usually + 3 * np.sqrt(usually)
        held = (self.opinion.fault == SPIKY) & (seen > 1 + usually)
        out: Bools = held | (seen >= limit) & (spread > 1)
        return out

    def _odd_place(self, time: float, look: texture.Look) -> Bools:
        """(T,) at an end of the range, or reading nothing while the peers do not."""
        t = self._columns.transducers
        share = (look.own - t.lrv) / t.span
        limit = COVERAGE * standard_uncertainty(np.array([time]), t)[0]
        nothing = (np.abs(look.own) <= limit) & (np.abs(look.peers) > 4 * limit)
        out: Bools = (share <= END) | (share >= 1 - END) | nothing
        return out

    def _decide(self, code: Ints, told: Bools, look: texture.Look, state: Ints) -> None:
        o = self.opinion
        at = np.maximum(state, 0), np.arange(len(state))
        o.tested += told & self.usual.ready()[at] & (state != MIXED)
        # Without its noise a transducer is not well, whatever else is not clear at the moment.
        # What was seen to follow slowly is not stuck when it rests for a while.
        rests = (o.fault == RESTRICTED) & ((code == FROZEN) | (code == FLAT_TOP))
        unclear = (rests | (code == NONE)) & (self._roughness.dull > 0)
        other = told & (code != o.fault) & ~unclear
        self._doubts = np.where(other, self._doubts + 1, np.where(told, 0, self._doubts))
        enough = np.where(code == NONE, CLEARS, STUBBORN)
        change = other & ((o.fault == NONE) | (self._doubts >= enough))
        o.fault = np.where(change, code, o.fault)
        self._doubts[change] = 0
        self._clipping.note(change & (code == FLAT_TOP), look.top)
        usually = np.where(self.usual.ready()[at], np.exp(self.usual.noise[at] / 2), np.nan)
        o.evidence = np.where(
            told,
            [look.noise, usually, look.own, look.peers, self._ring[0].sum(axis=0),
             self._ring[1].max(axis=0), look.top],
            o.evidence,
        )  # fmt: skip

    def _learn(self, state: Ints, told: Bools, look: texture.Look, beside: Floats) -> None:
        u, f = self.usual, self._following
        tiny = (self._columns.transducers.resolution / 20) ** 2
        odd = self.opinion.fault != NONE
        in_loop = self._columns.loops.has & odd
        odd = (self._columns.loops.has & in_loop.any(axis=1)[:, None]).any(axis=0)
        seen = {
            "noise": look.level,
            "beside": beside,
            "gap": look.gap,
            "around": look.about(np.where(u.count[RUNNING] > 0, u.gap[RUNNING], look.gap)),
            "slope": look.slope,
            "apart": np.log((f.own - f.peers) ** 2 + tiny),
            "moves": np.log(f.own**2 + tiny),
            "spikes": self._ring[0, 0],
        }
        for code in (RUNNING, STOPPED):
            away = np.abs(look.gap - u.gap[code]) > NEAR * np.sqrt(u.around[code])
            usual.learn(u, code, told & (state == code) & ~odd & ~(u.ready()[code] & away), seen)
