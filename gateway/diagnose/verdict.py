"""What is thought of every transducer at a minute, and the conditions that follow for rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Ints

from .detector import Condition
from .naming import FAULTS

DEAD = FAULTS.index("open-circuit")
WITNESSES = ("vote", "fan off", "moved first", "reads nothing", "fan speed", "none")
NUMBERS = (
    "shift_Pa", "reading_Pa", "peers_Pa", "standing_Pa", "drift_per_day_Pa", "drift_low_Pa",
    "drift_high_Pa", "days_to_tolerance", "witness",
)  # fmt: skip


@dataclass
class Verdict:
    """(T,) and (L,) present opinion."""

    fault: Ints
    """(T,) index into FAULTS, -1 for none."""
    confidence: Floats
    evidence: dict[str, Floats]
    unresolved: Bools
    """(L,) a change that nobody could be blamed for."""

    def copy(self) -> Verdict:
        """The opinion as it stands, for the rows that follow."""
        evidence = {key: value.copy() for key, value in self.evidence.items()}
        return Verdict(self.fault.copy(), self.confidence.copy(), evidence, self.unresolved.copy())


def blank(t: int, n_loops: int) -> Verdict:
    """Nothing is wrong with t transducers in n_loops loops."""
    return Verdict(
        np.full(t, -1), np.zeros(t), {key: np.full(t, np.nan) for key in NUMBERS},
        np.zeros(n_loops, dtype=np.bool_),
    )  # fmt: skip


def conditions(
    readings: Readings,
    stands: list[tuple[int, Verdict]],
    tested: list[Bools],
    live_zero: Bools,
) -> tuple[tuple[Condition, ...], Bools]:
    """(R, T) conditions of FAULTS, and (R, L) where a change could be blamed on nobody.

    stands: from which row on each verdict stands, the first from row 0; tested: (T,) of each,
    where "nothing wrong" is an answer. live_zero: (T,).
    """
    rows, n = readings.pressure.shape
    fault = np.empty((rows, n), dtype=np.int64)
    sure = np.empty((rows, n))
    numbers = {key: np.empty((rows, n)) for key in NUMBERS}
    open_shift = np.empty((rows, stands[0][1].unresolved.size), dtype=np.bool_)
    known = readings.fresh.copy()
    ends = [row for row, _ in stands[1:]] + [rows]
    for (start, verdict), warm, end in zip(stands, tested, ends, strict=True):
        # After a restart a finding stays as it was until it could be tested again.
        known[start:end] &= warm | (verdict.fault >= 0)
        fault[start:end], sure[start:end] = verdict.fault, verdict.confidence
        open_shift[start:end] = verdict.unresolved
        for key, array in numbers.items():
            array[start:end] = verdict.evidence[key]
    # A live zero shows a dead wire by itself: there is nothing to wait for.
    sound = readings.fresh & (live_zero)
    return tuple(
        Condition(
            word, fault == code, known | sound if code == DEAD else known, numbers,
            words={"witness": WITNESSES}, confidence=sure, by="peers",
        )
        for code, word in enumerate(FAULTS)
    ), open_shift  # fmt: skip
