"""From the terminals of a transducer to counts: the wire and the analog input card."""

from __future__ import annotations

from math import log, pi, sin

from gateway.plant.controllers import Point
from gateway.plant.transducers import Transducer

from .noise import Draw, Wander, normals, uniforms

SUPPLY_V = 24.0
SHUNT_OHM = 250.0


class Wire:
    """mA or V at the input, from what the device sends.

    An open input is pulled to zero: a current input by its shunt, a voltage input by its
    pull-down. Only a floating voltage input has lost that pull-down.
    """

    HUM_V = 0.5
    LOOSE_S = 0.8
    """Mean time that a loose wire stays away."""

    def __init__(self, seed: int, name: str, noun: Transducer) -> None:
        self.faults: dict[str, float] = {}
        self._current = noun.input.unit == "mA"
        self._chance = uniforms(seed, f"{name} wire")
        self._float = Wander(normals(seed, f"{name} float"), 0.4, 25.0)
        self._away, self._left = False, 0.0

    def step(self, dt: float, sent: float, before: float) -> float:
        """`before`: what stood on the channel that the card scanned just before, mA or V."""
        if not self.faults:
            return sent
        faults = self.faults
        if "short-circuit" in faults:
            return 1000.0 * SUPPLY_V / SHUNT_OHM if self._current else SUPPLY_V
        if "floating-input" in faults:
            return self._floats(dt, before)
        reversed_ = "reversed-polarity" in faults
        dead = "open-circuit" in faults or "short-to-common" in faults
        # A two-wire current device blocks the wrong way round.
        dead = dead or (reversed_ and self._current)
        if "intermittent-wiring" in faults:
            dead = self._loose(dt, faults["intermittent-wiring"]) or dead
        if dead:
            return 0.0
        return -sent if reversed_ else sent

    def _floats(self, dt: float, before: float) -> float:
        # Charge left by the channel scanned before, and mains hum at a chance phase.
        hum = self.HUM_V * sin(2.0 * pi * self._chance())
        return 0.6 * before + self._float.step(dt) + hum

    def _loose(self, dt: float, share: float) -> bool:
        """True while the wire makes no contact; `share` of the time in the long run."""
        self._left -= dt
        if self._left <= 0.0:
            self._away = not self._away
            mean = self.LOOSE_S * (1.0 if self._away else (1.0 - share) / share)
            self._left = -mean * log(1.0 - self._chance())
        return self._away


class Card:
    """Counts of an analog input: linear, a little noisy, rounded, and clamped if it clamps."""

    NOISE_SHARE = 0.00004
    """Standard deviation of its own noise, as a share of its width."""

    def __init__(self, seed: int, name: str, noun: Transducer, point: Point) -> None:
        self.faults: dict[str, float] = {}
        card = noun.input
        self._held: float | None = None
        self._draw: Draw = normals(seed, f"{name} card")
        self._first, self._at = card.counts[0], card.electrical[0]
        width = card.counts[1] - card.counts[0]
        self._per = width / (card.electrical[1] - card.electrical[0])
        if card.shunt_ohm:
            self._per *= card.shunt_ohm / 1000.0
            self._at *= 1000.0 / card.shunt_ohm
        self._noise = abs(width) * self.NOISE_SHARE
        whole = (-32768.0, 32767.0) if point.type.startswith("int") else (0.0, 65535.0)
        ends = (min(card.counts), max(card.counts))
        self._least, self._most = ends if card.clamps else whole

    def counts(self, electrical: float) -> float:
        """Whole counts, as a float."""
        exact = self._first + (electrical - self._at) * self._per + self._noise * self._draw()
        counts = float(round(min(self._most, max(self._least, exact))))
        if "frozen" not in self.faults:
            self._held = None
            return counts
        if self._held is None:
            self._held = counts
        return self._held
