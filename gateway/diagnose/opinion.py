"""What is thought of each transducer at present, and how easily that changes."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Ints

from .character import FLAT_TOP, FROZEN, NONE, RESTRICTED

CLEARS, STUBBORN = 3, 6
"""Stretches that "nothing wrong" and another opinion must hold before one is given up."""


class Opinion:
    """(T,) index into the faults of `character`, NONE for none, and what it rests on."""

    def __init__(self, n: int, numbers: int) -> None:
        self.fault: Ints = np.full(n, NONE)
        self.tested: Ints = np.zeros(n, dtype=np.int64)
        """Stretches compared since the start."""
        self.evidence: Floats = np.full((numbers, n), np.nan)
        self._doubts: Ints = np.zeros(n, dtype=np.int64)

    def take(self, code: Ints, told: Bools, dull: Ints) -> Bools:
        """Take in the names of one stretch; (T,) where the opinion changed."""
        # What was seen to follow slowly is not stuck when it rests for a while; and without its
        # noise a transducer is not well, whatever else is not clear at the moment.
        rests = (self.fault == RESTRICTED) & ((code == FROZEN) | (code == FLAT_TOP))
        unclear = (rests | (code == NONE)) & (dull > 0)
        other = told & (code != self.fault) & ~unclear
        self._doubts = np.where(other, self._doubts + 1, np.where(told, 0, self._doubts))
        enough = np.where(code == NONE, CLEARS, STUBBORN)
        change: Bools = other & ((self.fault == NONE) | (self._doubts >= enough))
        self.fault = np.where(change, code, self.fault)
        self._doubts[change] = 0
        return change

    def forget(self, which: Bools) -> None:
        """Start again with `which` (T,)."""
        self.fault[which] = NONE
        self.tested[which] = self._doubts[which] = 0
