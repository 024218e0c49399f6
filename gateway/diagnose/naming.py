"""The faulty transducer is known; here its fault gets a name."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

FAULTS = (
    "open-circuit", "ports-swapped", "tube-off", "liquid-in-tube", "zero-drift", "span-drift",
)  # fmt: skip


@dataclass(frozen=True)
class Suspect:
    """One transducer; pressures in Pa, as in `witnesses.Case`.

    dead: the signal is true-zero and rests at its low end without any noise. sudden: it jumped.
    at_end: it reads an end of its range, so that the true reading may lie further out.
    """

    shift: float
    level: float
    peers: float
    standing: float
    limit: float
    matters: float
    dead: bool
    sudden: bool
    at_end: bool


def name(s: Suspect) -> tuple[str, float]:
    """(fault, confidence 0 to 1 that it is this one of its rivals)."""
    shows_pressure = abs(s.peers) > 3 * s.limit
    if s.dead and shows_pressure:
        return "open-circuit", 0.7
    opposite = s.level * s.peers < 0
    mirrored = abs(s.level + s.peers) <= s.limit + 0.15 * abs(s.peers)
    if shows_pressure and opposite and abs(s.level) > s.limit and (mirrored or s.at_end):
        return "ports-swapped", 0.9 if mirrored else 0.7
    if shows_pressure and abs(s.level) <= max(s.limit, 0.1 * abs(s.peers)):
        return "tube-off", 0.8 if s.sudden else 0.6
    if s.sudden and abs(s.shift) > 2 * s.matters:
        return "liquid-in-tube", 0.6
    if isfinite(s.standing):
        # A zero error is there with the fan off too; a span error is not.
        stays = abs(s.standing) >= abs(s.shift) / 2
        return ("zero-drift", 0.9) if stays else ("span-drift", 0.8)
    return "zero-drift", 0.6
