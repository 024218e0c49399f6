"""What the catalogue says of one fault.

Signatures: worked out from the signal ranges; what a technician confirms is common practice, no
source. Reliability: names of ASHRAE 135. Status: NAMUR NE 107 (names from secondary texts).
"""

from __future__ import annotations

from dataclasses import dataclass

from gateway.diagnose.findings import Status, SubjectKind


@dataclass(frozen=True)
class Entry:
    """One fault.

    raise_s / clear_s: seconds a condition must hold, or not hold, before it is said.
    blocked_by: faults whose presence explains this one, so that it is not said beside them.
    next_check, expected and consequence may use {evidence names}. A sentence that begins with
    [words] is left out where the evidence, or the sort of signal, has the words of another.
    """

    fault: str
    kind: SubjectKind
    """What the finding is about."""
    group: str
    title: str
    signature: str
    separates: str
    needs: str
    hidden_when: str
    status: Status
    reliability: str
    next_check: str
    expected: str
    consequence: str
    rivals: tuple[str, ...]
    raise_s: float
    clear_s: float
    blocked_by: tuple[str, ...] = ()
    again_s: float = 0.0
    """Seconds it must hold after a cause is gone: its detector still remembers what that did."""
    follows: tuple[str, ...] = ()
    """Transducer faults that explain this one when another member of the loop has them."""
