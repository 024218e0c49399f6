"""From a condition to a raised fault: on-delay and off-delay, without counting silence.

All arrays have one entry a subject; rows may come one at a time or a day at a time.
"""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.hold import column_time, forward_fill, last, shifted

EXPLAINED = -1e300
"""In place of the time of the last known row where it held and a cause explained it."""


class Latch:
    """Active after the condition held for `raise_s`, inactive after it did not for `clear_s`.

    raise_s, clear_s, gap_s: (n,) seconds. A hole between known rows longer than `gap_s` starts
    the count again, since nobody saw what happened meanwhile. again_s: (n,) as raise_s, for what
    holds right after a cause that explained it: it remembers what the cause did; 0 unless given.
    """

    def __init__(
        self, raise_s: Floats, clear_s: Floats, gap_s: Floats, again_s: Floats | None = None
    ) -> None:
        n = len(raise_s)
        self._raise_s, self._clear_s, self._gap_s = raise_s, clear_s, gap_s
        self._again_s = raise_s if again_s is None else np.maximum(raise_s, again_s)
        self._wait = raise_s.copy()
        self._held: Bools = np.zeros(n, dtype=np.bool_)
        self._seen: Floats = np.full(n, -np.inf)
        self._run_start: Floats = np.full(n, -np.inf)
        self._active: Bools = np.zeros(n, dtype=np.bool_)

    def seed(self, column: int) -> None:
        """Start with the fault raised, as it was before a restart."""
        self._active[column] = True

    def quiet(self, holds: Bools) -> bool:
        """Whether these rows leave everything not raised: nothing holds, held or stands.

        Then there is nothing to follow, nor to remember: what holds next begins anew.
        """
        waits = self._seen == EXPLAINED
        return not (self._active.any() or self._held.any() or holds.any() or waits.any())

    def follow(self, time: Floats, holds: Bools, known: Bools, blocked: Bools) -> Bools:
        """(rows, n): where the fault stands raised.

        blocked: (rows, n) where a cause explains the condition: the fault is dropped there, and
        must prove itself anew afterwards.
        """
        when = column_time(time, len(self._active))
        tells = known & ~blocked
        touched = tells | blocked
        state = holds & tells
        held = forward_fill(state, touched, self._held)
        of_cause = np.where(holds, EXPLAINED, -np.inf)
        seen = forward_fill(np.where(blocked, of_cause, when), touched, self._seen)
        before, seen_before = shifted(held, self._held), shifted(seen, self._seen)
        new_run = tells & ((state != before) | (when - seen_before > self._gap_s))
        start = forward_fill(when, new_run, self._run_start)
        after = np.where(seen_before == EXPLAINED, self._again_s, self._raise_s)
        wait = forward_fill(after, new_run, self._wait)
        lasted = when - start
        on = tells & state & (lasted >= wait)
        off = blocked | (tells & ~state & (lasted >= self._clear_s))
        active = forward_fill(on, on | off, self._active)
        self._held, self._seen = last(held), last(seen)
        self._run_start, self._active, self._wait = last(start), last(active), last(wait)
        return active
