"""Which faults are tried: every kind of the demo at several sizes, spread over the plant."""

from __future__ import annotations

from dataclasses import dataclass
from zlib import crc32

import numpy as np

from gateway.demo.faults import KINDS, possible, usual_size
from gateway.plant.site import Site

LEARN_S = 26 * 3600.0
"""Fault-free running before the first fault: a day, so that its swing is known."""
ONSETS_S = 6 * 3600.0
"""Faults begin at a random moment within this time after learning."""
SEASON_S = 91.3125 * 86_400.0
BEGIN = 1_780_272_000.0
DAY_S = 86_400.0
NOT_FAULTS = ("fan-stopped", "calibrator", "inputs-swapped")
"""Kinds that no diagnosis can or should name: work, and what only a loop check tells apart."""

FACTORS: dict[str, tuple[float, ...]] = {
    "zero-shift": (0.25, 0.5, 1.0, 2.0, -0.25, -0.5, -1.0),
    "zero-drift": (0.1, 0.3, 1.0, -0.3, -1.0),
    "span-drift": (0.5, 1.0, 2.0, -0.5, -1.0, -2.0),
    "liquid-in-tube": (0.3, 1.0, -0.3, -1.0),
    "excess-noise": (0.3, 1.0, 3.0),
    "spikes": (0.3, 1.0, -1.0),
    "tube-restricted": (0.3, 1.0, 5.0),
    "intermittent-wiring": (0.25, 1.0, 2.5),
    "hunting": (0.25, 1.0, 2.0),
    "leak": (0.5, 1.0, 3.0),
    "door-held-open": (0.5, 1.0),
    "filter-blocked": (0.5, 1.0, 2.0),
    "range-mismatch": (0.625, 1.0, 0.25),
}
"""Multiples of the usual size; kinds not named are tried at their usual size only."""
HOURS: dict[str, float] = {
    "zero-drift": 8.0, "zero-shift": 3.0, "span-drift": 3.0, "liquid-in-tube": 3.0,
    "tube-restricted": 2.0, "sleep-cycling": 3.0, "hunting": 2.0, "leak": 2.0,
    "door-held-open": 2.0, "filter-blocked": 2.0,
}  # fmt: skip
HOUR = 1.0
"""How long the diagnosis may take; kinds not named above have an hour."""


@dataclass(frozen=True)
class Case:
    """One fault in one stage. `factor`: multiple of the usual size. `after_s` the learning."""

    kind: str
    subject: str
    loop: str
    factor: float
    size: float
    stage: int
    after_s: float
    number: int

    @property
    def key(self) -> str:
        """Name of the case in the results."""
        return f"{self.kind}/{self.number}"

    @property
    def hours(self) -> float:
        """Time given to the diagnosis."""
        return HOURS.get(self.kind, HOUR)


def start_of(stage: int) -> float:
    """When a stage's plant starts: through the seasons, at different hours of the day."""
    return BEGIN + stage % 4 * SEASON_S + stage * 5 % 24 * 3600.0


def cases(site: Site, runs: int, stages: int, kinds: tuple[str, ...] = ()) -> list[Case]:
    """`runs` cases of every kind (or of `kinds` only), over `stages` seeds."""
    wanted = [k for k in kinds or KINDS if k not in NOT_FAULTS]
    return [one for kind in wanted for one in _of_kind(site, kind, runs, stages)]


def _of_kind(site: Site, kind: str, runs: int, stages: int) -> list[Case]:
    places = [
        (subject, loop)
        for loop, noun in site.loops.items()
        for subject in (*noun.transducers, loop, noun.transducers[0] and _controller(site, loop))
        if kind in {k.kind for k in possible(site, subject)}
    ]
    grid = [(p, f) for f in FACTORS.get(kind, (1.0,)) for p in places]
    if not grid:
        return []
    source = np.random.default_rng([crc32(kind.encode()), 20_260_101])
    order = source.permutation(len(grid))
    out = []
    for n in range(runs):
        (subject, loop), factor = grid[order[n % len(grid)]]
        size = factor * usual_size(site, kind, subject)
        after = float(np.floor(source.random() * ONSETS_S))
        stage = (n + crc32(kind.encode())) % stages
        out.append(Case(kind, subject, loop, factor, size, stage, after, n))
    return out


def _controller(site: Site, loop: str) -> str:
    return site.transducers[site.loops[loop].transducers[0]].counts.partition(".")[0]
