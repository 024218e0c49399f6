"""The name of what is odd about the texture of a reading.

All faults of one transducer that show in how its reading moves, not in where it stands, are told
from one another here, so that one transducer gets one name.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gateway.measure.blocks import Bools, Floats
from gateway.measure.columns import Ints

FAULTS = ("floating-input", "flat-top", "tube-restricted", "frozen", "excess-noise", "spikes")
FLOATING, FLAT_TOP, RESTRICTED, FROZEN, NOISE, SPIKES = range(len(FAULTS))
NONE = -1
SETTLES, PATIENT = 4, 8
"""Stretches without fast noise after which "does it stand still?" is an answer; the same where
it may be a ceiling."""
STEADY = 6
"""Stretches that one must stand still that has kept a noise of its own."""
LOW = 1.5
"""Standard deviations below its usual place that tell a capped reading from a stuck one, which
holds a value as good as any other."""

FAR, FALL, DEEP = 6.0, 1.0, 3.0
"""Standard deviations: from its place beside its peers; falls that make a ceiling likely, sure."""


@dataclass(frozen=True)
class Signs:
    """(T,) what one stretch of time showed; unsaid is False."""

    noisy: Bools
    """Fast noise well above the usual, the peers' not."""
    running: Bools
    """The fan runs; else what follows stands from before."""
    dull: Ints
    """Stretches in a row in which it had lost its fast noise, the peers not."""
    still: Bools
    """Its mean does not move either."""
    steady: Ints
    """Stretches in a row that it has not moved."""
    hushed: Bools
    """What noise it has is the input's own rounding."""
    moving: Bools
    """Its mean does move."""
    deaf: Bools
    """It surely does not follow its peers from stretch to stretch."""
    unheard: Bools
    """Some evidence for that."""
    away: Floats
    """Reading less the usual one beside these peers, in usual standard deviations."""
    never_above: Bools
    """Since it lost its noise its peers never called for less than it reads."""
    fall: Floats
    """Reading less what it was before it lost its noise, in usual standard deviations."""
    waiting: Bools
    """Rested at a top of its own just once."""
    level: Bools
    """Most of its tops of late are one level."""
    clipped: Bools
    """Rests at a top of its own, and moves below it."""
    spiky: Bools
    odd_place: Bools
    """Reads about nothing while the peers do not, or rests at an end of its range."""
    voltage: Bools
    """A voltage input."""


def name(s: Signs) -> Ints:
    """(T,) index into FAULTS, NONE where nothing has a name."""
    dull = s.dull >= np.where(s.waiting, PATIENT, SETTLES)
    stands = ((dull & s.unheard) | s.deaf) & s.still & (s.hushed | (s.steady >= STEADY))
    low = (s.dull > 0) & (s.away < -LOW) & s.never_above
    # Peers that the loop drives away do not make a stuck reading a capped one.
    stays_low = low & stands & ((s.away > -FAR) | (s.fall < -FALL))
    sinks = low & dull & s.still & (s.fall < -DEEP)
    even = (s.dull >= SETTLES) & s.moving & s.waiting & s.level
    here = s.running & ~s.odd_place
    return np.select(
        [
            s.noisy & s.voltage & (np.abs(s.away) > 4.0),
            s.noisy,
            (s.clipped & ~s.odd_place) | ((stays_low | sinks | even) & here),
            stands & here,
            dull & s.moving & here & (np.abs(s.away) < 3.0),
            s.spiky,
        ],
        [FLOATING, NOISE, FLAT_TOP, FROZEN, RESTRICTED, SPIKES],
        NONE,
    )
