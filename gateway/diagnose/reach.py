"""How far a fault reaches: from a controller to its transducers and loops, from peer to peer."""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools
from gateway.measure.columns import Columns, Ints

from .findings import SubjectKind


class Reach:
    """Who depends on whom, as pairs of columns: no matrix as large as the site squared."""

    def __init__(self, columns: Columns) -> None:
        self._controller = columns.transducers.controller
        self._users = Belonging(columns.loops.uses)
        self._members = Belonging(columns.loops.has)
        self._loops_of = Belonging(columns.loops.has.T)

    def carried(self, cause: SubjectKind, subject: SubjectKind, active: Bools) -> Bools:
        """(R, N) a cause on controllers or transducers, as it touches transducers or loops.

        ValueError where such a cause touches no such subject.
        """
        if cause == subject:
            return active
        match cause, subject:
            case "controller", "transducer":
                return active[:, self._controller]
            case "controller", "loop":
                return self._users.count(active) > 0
            case "transducer", "loop":
                return self._members.count(active) > 0
            case _:
                raise ValueError(f"a {cause} fault cannot explain a {subject} fault")

    def from_peers(self, active: Bools) -> Bools:
        """(R, T) where another member of the same loop has the (R, T) fault."""
        mine = self._loops_of
        in_loop = self._members.count(active)[:, mine.parts]
        return mine.gathered(in_loop > active[:, mine.whole]) > 0


class Belonging:
    """Which of N parts belong to which of M wholes, as pairs sorted by whole. belongs: (M, N)."""

    def __init__(self, belongs: Bools) -> None:
        self.whole, self.parts = (a.astype(np.int64) for a in np.nonzero(belongs))
        self._number = len(belongs)
        self._present, self._starts = np.unique(self.whole, return_index=True)

    def count(self, active: Bools) -> Ints:
        """(R, M) how many parts of each whole are active, from (R, N)."""
        return self.gathered(active[:, self.parts])

    def gathered(self, pairs: Bools) -> Ints:
        """(R, M) how many pairs of each whole are true, from (R, pairs)."""
        out = np.zeros((len(pairs), self._number), dtype=np.int64)
        if len(self._starts):
            out[:, self._present] = np.add.reduceat(pairs.astype(np.int64), self._starts, axis=1)
        return out
