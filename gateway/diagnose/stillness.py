"""A transducer whose counts stand still while its loop moves: frozen.

How unlikely a run of identical counts is follows from the share of readings that usually differ
from the one before, learnt on the transducer itself; only readings count during which its peers
were as lively as usual. Until enough is learnt a simple rule stands in.
"""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import ABSENT, Columns, Ints
from gateway.measure.hold import column_time, forward_fill, last, shifted
from gateway.measure.quality import Quality
from gateway.measure.uncertainty import YEAR_S

from .detector import Condition

BAD = int(Quality.BAD)
STILL_S = 120.0
PEER_CHANGES = 30.0
"""Changes of a peer's counts meanwhile that make standing still unbelievable, while nothing is
learnt (common practice)."""
LEAST_S, LEAST_CHANGES = 20.0, 8.0
"""The same when the moving share is learnt."""
BUCKET_S, BUCKET = 300.0, 100.0
"""Pace at which the learnt share is renewed: seconds, and polls of the slowest controller."""
AWAKE, WAKING = 30.0, 15.0
"""Readings in a bucket after which its movement tells that it is well again, and the changes that
tell it while nothing is learnt."""
LIVELY_S = 30.0
"""Longest silence of the peers in which anything can be told."""
ENOUGH = 1800.0
"""Readings from which on it is used."""
MEMORY = 86_400.0
"""Readings that it is the mean of, once so many are seen."""
DEPENDENT = 0.5
"""Share of the moving share that is relied on, since changes come in clusters."""
LEAST_MOVING = 1e-9
MARGIN = 2.0
"""Times the longest run seen while learning that a frozen one must last."""


class Stillness:
    """frozen, told from counts alone."""

    def __init__(self, columns: Columns) -> None:
        t = columns.transducers
        self._low, self._high = t.card_low + t.step, t.card_high - t.step
        self._group, self._members, self._starts = _groups(columns)
        interval = columns.controllers.interval[t.controller]
        self._least_s = _least(columns, self._group, self._members, self._starts)
        self._surprise = np.log(YEAR_S / interval)
        """Nats of a run that chance brings once a year."""
        n = len(t.ids)
        self._counts: Floats = np.full(n, np.nan)
        self._moved: Floats = np.full(n, np.nan)
        self._changes: Floats = np.zeros(n)
        self._read: Floats = np.zeros(n)
        """Changes and readings since the start."""
        self._group_then: Floats = np.zeros(n)
        self._read_then: Floats = np.zeros(n)
        """Changes in the group, and readings, when it last moved."""
        self._changes_base: Floats = np.zeros(n)
        self._read_base: Floats = np.zeros(n)
        """Own changes, and readings, from which on being well again is counted."""
        self._others: Floats = np.zeros(n)
        self._livened: Floats = np.full(n, np.nan)
        """Changes of the peers, and when they last made one."""
        self._every = max(BUCKET_S, BUCKET * float(interval.max(initial=0.0)))
        self._peers_live = LIVELY_S + 3 * interval
        self._bucket = np.nan
        self._learning: Floats = np.zeros((3, n))
        """Readings, changes and longest run of the present bucket."""
        self._asleep: Bools = np.zeros(n, dtype=np.bool_)
        """Frozen, and not seen to move as usual since."""
        self._readings: Floats = np.zeros(n)
        self.moving: Floats = np.zeros(n)
        """Learnt share of readings that differ from the one before."""
        self.longest: Floats = np.zeros(n)
        """Longest run of identical counts in lively readings, while learning."""
        self._run: Floats = np.zeros(n)
        self._need: Floats = np.full(n, np.inf)
        self._peers_moving: Floats = np.full(n, LEAST_MOVING)

    def examine(self, readings: Readings) -> tuple[Condition, ...]:
        """(R, T) condition; evidence: seconds without change, and its peers' changes meanwhile."""
        bucket = np.floor(readings.time / self._every)
        one = bucket[0] == bucket[-1] == self._bucket
        edges = [] if one else np.flatnonzero(np.diff(bucket, prepend=self._bucket)).tolist()
        usable, parts = self._usable(readings), []
        for start, stop in zip([None, *edges], [*edges, len(bucket)], strict=True):
            if start is not None:
                self._learn()
            if stop > (start or 0):
                part = slice(start or 0, stop)
                parts.append(self._part(readings, part, usable[part]))
        self._bucket = float(bucket[-1])
        holds, awake, still, peers = (
            parts[0] if len(parts) == 1 else map(np.concatenate, zip(*parts, strict=True))
        )
        # A stuck one may flicker by a count: it is well once it moves as it does usually.
        known = usable & (holds | awake)
        evidence = {"still_for_s": still, "peer_changes": peers}
        return (Condition("frozen", holds, known, evidence, confidence=0.9),)

    def forget(self, which: Bools) -> None:
        """Unlearn the transducers `which` (T,), after work on them."""
        self._learning[:, which] = 0.0
        self._readings[which] = self.moving[which] = self.longest[which] = 0.0

    def _part(
        self, readings: Readings, part: slice, usable: Bools
    ) -> tuple[Bools, Bools, Floats, Floats]:
        """(r, T) each: frozen, seen to move as usual, seconds still, peers' changes meanwhile."""
        fresh = readings.fresh[part]
        held = forward_fill(readings.counts[part], fresh, self._counts)
        before = shifted(held, self._counts)
        changed = fresh & (held != before) & np.isfinite(before)
        begins = changed | (fresh & np.isnan(before))
        when = column_time(readings.time[part], len(self._counts))
        changes = self._changes + np.cumsum(changed, axis=0)
        read = self._read + np.cumsum(fresh, axis=0)
        in_group = self._in_group(changes)
        moved = forward_fill(when, begins, self._moved)
        # Since it last moved it added nothing itself, so the difference is its peers' doing.
        group_then = forward_fill(in_group, begins, self._group_then)
        read_then = forward_fill(read, begins, self._read_then)
        peers, still = in_group - group_then, when - moved
        lively = np.minimum(read - read_then, peers / self._peers_moving)
        holds = self._holds(lively, still, peers)
        awake = self._awake(when, holds, changes, read, in_group - changes)
        asleep = forward_fill(holds, holds | awake, self._asleep)
        told = usable & ~asleep
        ended = np.where(changed & ~shifted(asleep, self._asleep), shifted(lively, self._run), 0.0)
        self._learning[:2] += told.sum(axis=0), (told & changed).sum(axis=0)
        self._learning[2] = np.maximum(self._learning[2], ended.max(axis=0))
        self._counts, self._moved = last(held), last(moved)
        self._group_then, self._read_then = last(group_then), last(read_then)
        self._changes, self._read = last(changes), last(read)
        self._asleep, self._run = last(asleep), last(lively)
        return holds, awake, still, peers

    def _holds(self, lively: Floats, still: Floats, peers: Floats) -> Bools:
        learnt = (self._readings >= ENOUGH) & (self.moving > 0)
        unlikely = (lively >= self._need) & (still >= self._least_s) & (peers >= LEAST_CHANGES)
        simple = (still >= np.maximum(STILL_S, self._least_s)) & (peers >= PEER_CHANGES)
        return np.where(learnt, unlikely, simple)

    def _awake(
        self, when: Floats, holds: Bools, changes: Floats, read: Floats, others: Floats
    ) -> Bools:
        """(r, T) where it moves as usual since the bucket began or it last stood, among peers."""
        changes_base = forward_fill(changes, holds, self._changes_base)
        read_base = forward_fill(read, holds, self._read_base)
        moved, seen = changes - changes_base, read - read_base
        self._changes_base, self._read_base = last(changes_base), last(read_base)
        livened = forward_fill(when, others != shifted(others, self._others), self._livened)
        self._others, self._livened = last(others), last(livened)
        enough = np.where(self._readings >= ENOUGH, DEPENDENT * self.moving * seen, WAKING)
        awake: Bools = (seen >= AWAKE) & (moved >= enough) & (when - livened <= self._peers_live)
        return awake

    def _learn(self) -> None:
        """Take the finished bucket into the learnt share."""
        self._changes_base, self._read_base = self._changes, self._read
        read, changes, longest = self._learning
        self._readings = np.minimum(self._readings + read, MEMORY)
        share = np.where(
            read > 0, (changes - read * self.moving) / np.maximum(self._readings, 1), 0
        )
        self.moving = self.moving + share
        self.longest = np.maximum(self.longest, longest)
        others = self._in_group(self.moving[None])[0] - self.moving
        self._peers_moving = np.maximum(others, LEAST_MOVING)
        with np.errstate(divide="ignore"):
            chance = self._surprise / -np.log1p(-DEPENDENT * np.minimum(self.moving, 1.0))
        self._need = np.maximum(chance, MARGIN * self.longest)
        self._learning = np.zeros_like(self._learning)

    def _in_group(self, values: Floats) -> Floats:
        """(r, T): sum over the group that each transducer belongs to, zero without one."""
        if not len(self._starts):
            return np.zeros_like(values)
        totals = np.add.reduceat(values[:, self._members], self._starts, axis=1)
        return np.where(self._group == ABSENT, 0.0, totals[:, self._group])

    def _usable(self, readings: Readings) -> Bools:
        """(R, T) fresh, not bad, and away from the ends of the input."""
        signal = readings.electrical
        inside = (signal > self._low) & (signal < self._high)
        out: Bools = readings.fresh & (readings.quality < BAD) & inside
        return out


def _groups(columns: Columns) -> tuple[Ints, Ints, Ints]:
    """(T,) group of each transducer or ABSENT, the members of all groups, where each starts.

    Its peers are the members of its first loop on its own controller, whose movement proves that
    the controller lives; where there is none, all members of that loop.
    """
    loops, controller = columns.loops, columns.transducers.controller
    group = np.full(len(controller), ABSENT)
    groups: list[Ints] = []
    for members in loops.members:
        for owner in (*np.unique(controller[members]), ABSENT):
            mine = members if owner == ABSENT else members[controller[members] == owner]
            new = mine[group[mine] == ABSENT]
            if len(new) and len(mine) > 1:
                group[new] = len(groups)
                groups.append(mine)
    starts = np.cumsum([0, *(len(g) for g in groups[:-1])]) if groups else np.zeros(0, np.int64)
    return group, np.concatenate([*groups, np.zeros(0, dtype=np.int64)]), starts


def _least(columns: Columns, group: Ints, members: Ints, starts: Ints) -> Floats:
    """(T,) seconds that a transducer must stand still, so that a silent controller is said first.

    Short where a peer on the same controller, or a heartbeat, shows that the controller lives.
    """
    owner, c = columns.transducers.controller, columns.controllers
    sizes = np.diff([*starts, len(members)])
    one_owner = np.array(
        [len(np.unique(owner[m])) == 1 for m in np.split(members, starts[1:])][: len(starts)],
        dtype=np.bool_,
    )
    lives = (c.heartbeat != ABSENT)[owner]
    if len(sizes):
        lives = lives | ((group != ABSENT) & one_owner[group])
    slow = 3 * c.interval[owner]
    return np.where(lives, LEAST_S + slow, STILL_S + LEAST_S + slow)
