"""What a detector is: readings in, conditions out.

A detector says, row by row and subject by subject, whether the condition of its fault holds and
whether it can tell; it never says "finding". Delays, blocking by a cause, and the words come from
the catalogue and are the same for every detector (`diagnose.py`). A detector may remember arrays
between blocks, one entry a column, and must give the same conditions however the history is cut.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Ints

from .minutes import Minutes


@dataclass(frozen=True)
class Condition:
    """One fault's condition on N subjects over R rows.

    fault: identifier in the catalogue, whose `kind` says what the N subjects are (all controllers,
    transducers or loops of the site, in file order).
    """

    fault: str
    holds: Bools
    """(R, N)."""
    known: Bools
    """(R, N) False where this row says nothing: no finding is raised or cleared on it."""
    evidence: Mapping[str, Floats] = field(default_factory=dict)
    """(R, N) numbers. A name ending in _Pa is shown in the subject's own unit, one ending in
    _signal in mA or V."""
    words: Mapping[str, Sequence[str]] = field(default_factory=dict)
    """For evidence that is a choice: its number is an index into these words."""
    suspect: Ints | None = None
    """(R, N) transducer column a loop's condition points at, -1 for none."""
    confidence: Floats | float = 1.0
    """(R, N) or one for all: how sure, 0 to 1, given that the condition holds."""
    by: str = ""
    """Tells two detectors of the same fault apart; the fault stands while either says so."""


class Detector(Protocol):
    """Anything that turns readings into conditions."""

    def examine(self, readings: Readings) -> Sequence[Condition]:
        """Conditions for every row of the readings."""
        ...


class Judge(Protocol):
    """A detector that works minute by minute, and only where link and wires are sound."""

    def examine(self, readings: Readings, minutes: Minutes, trouble: Bools) -> Sequence[Condition]:
        """Conditions for every row of the readings, standing between the minutes.

        minutes: those that these rows close. trouble: (R, L) where link or wires are not sound.
        """
        ...

    def forget(self, loop: int) -> None:
        """Start again with one loop, after work on it."""
        ...
