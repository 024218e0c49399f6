"""The site as arrays: one entry a column, computed once.

P points, T transducers, L loops, C controllers, all in file order. Pressures in Pa.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time

import numpy as np
from numpy.typing import NDArray

from gateway.plant.controllers import Point
from gateway.plant.site import Site
from gateway.plant.transducers import Transducer
from gateway.plant.units import PASCALS

from .blocks import Bools, Floats

Ints = NDArray[np.int64]
ABSENT = -1
"""Index of a point that the site file does not name."""
FLOAT_STEPS = 4096
"""Steps of an input whose point is a float: it shows more digits than its converter has. 12 bits
are the coarsest that is usual (common practice, no source)."""


@dataclass(frozen=True)
class PointColumns:
    """(P,) arrays. `pa` turns a decoded value into Pa; NaN where the unit is not a pressure."""

    refs: tuple[str, ...]
    controller: Ints
    pa: Floats
    step: Floats
    """Smallest step of the decoded value that the register can show; 0 for floats."""


@dataclass(frozen=True)
class ControllerColumns:
    """(C,) arrays; `first`/`last` bound the controller's points."""

    ids: tuple[str, ...]
    first: Ints
    last: Ints
    interval: Floats
    stale_after: Floats
    """Seconds without an answer after which the held value is no longer shown."""
    heartbeat: Ints


@dataclass(frozen=True)
class TransducerColumns:
    """(T,) arrays; electrical limits in the unit of the signal (mA or V)."""

    ids: tuple[str, ...]
    controller: Ints
    counts: Ints
    controller_value: Ints
    per_count: Floats
    """mA or V a count."""
    at_zero: Floats
    """mA or V at 0 counts."""
    step: Floats
    """Finest step of the signal that the input's point can show, mA or V: a count, or what its
    scale makes of one where the point tells milliamps, volts or percent."""
    card_low: Floats
    card_high: Floats
    """Lowest and highest mA or V that the input can show; infinite when it does not clamp."""
    signal_low: Floats
    signal_high: Floats
    open_below: Floats
    failure_low: Floats
    measure_low: Floats
    measure_high: Floats
    failure_high: Floats
    short_above: Floats
    lrv: Floats
    span: Floats
    accuracy: Floats
    thermal: Floats
    stability: Floats
    """Half-widths in Pa: accuracy, thermal, and stability a year."""
    resolution: Floats
    """Pa a step."""
    calibrated: Floats
    """Seconds since 1970 of the last calibration, NaN when not given."""
    tolerance: Floats


@dataclass(frozen=True)
class LoopColumns:
    """(L,) arrays; points as indices, ABSENT where not named."""

    ids: tuple[str, ...]
    members: tuple[Ints, ...]
    combine: tuple[str, ...]
    feedback: Ints
    setpoint: Ints
    output: Ints
    running: Ints
    uses: Bools
    """(L, C) True where the loop reads anything from the controller."""
    has: Bools
    """(L, T) membership."""
    place_difference: Floats
    output_low: Floats
    output_high: Floats


@dataclass(frozen=True)
class Columns:
    """Everything the heart needs to know of a site."""

    points: PointColumns
    controllers: ControllerColumns
    transducers: TransducerColumns
    loops: LoopColumns


def columns(site: Site) -> Columns:
    """The site's columns; a site from `read_site` has no dangling reference."""
    refs = [f"{c}.{p}" for c, controller in site.controllers.items() for p in controller.points]
    where = {ref: k for k, ref in enumerate(refs)}
    return Columns(
        _points(site, refs), _controllers(site, where), _transducers(site, where),
        _loops(site, where),
    )  # fmt: skip


def _floats(values: list[float]) -> Floats:
    return np.array(values, dtype=np.float64)


def _ints(values: list[int]) -> Ints:
    return np.array(values, dtype=np.int64)


def _points(site: Site, refs: list[str]) -> PointColumns:
    order = list(site.controllers)
    nouns = [site.point(ref) for ref in refs]
    return PointColumns(
        refs=tuple(refs),
        controller=_ints([order.index(ref.partition(".")[0]) for ref in refs]),
        pa=_floats([PASCALS.get(noun.unit, np.nan) for noun in nouns]),
        step=_floats([step_of(noun) for noun in nouns]),
    )


def step_of(point: Point) -> float:
    """Smallest step of a decoded value that the register can show; 0 for floats."""
    return 0.0 if point.type.startswith("float") else abs(point.scale)


def signal_step(noun: Transducer, point: Point) -> float:
    """Finest step of a transducer's signal that its input's point can show, mA or V."""
    card = noun.input
    width = abs(card.electrical[1] - card.electrical[0])
    width *= 1000.0 / card.shunt_ohm if card.shunt_ohm else 1.0
    whole = step_of(point)
    return width * whole / abs(card.counts[1] - card.counts[0]) if whole else width / FLOAT_STEPS


def _controllers(site: Site, where: dict[str, int]) -> ControllerColumns:
    nouns = list(site.controllers.values())
    ends = np.cumsum([len(noun.points) for noun in nouns], dtype=np.int64)
    return ControllerColumns(
        ids=tuple(site.controllers),
        first=ends - _ints([len(noun.points) for noun in nouns]),
        last=ends,
        interval=_floats([noun.interval_s for noun in nouns]),
        stale_after=_floats([3 * noun.interval_s + noun.timeout_s + 1.0 for noun in nouns]),
        heartbeat=_ints(
            [
                where[f"{key}.{noun.heartbeat}"] if noun.heartbeat else ABSENT
                for key, noun in site.controllers.items()
            ]
        ),
    )


def _transducers(site: Site, where: dict[str, int]) -> TransducerColumns:
    nouns = list(site.transducers.values())
    order = list(site.controllers)
    signals = [noun.sends() for noun in nouns]
    # A volt input with a shunt sees milliamps: everything electrical is in the signal's unit.
    factor = _floats([1000.0 / n.input.shunt_ohm if n.input.shunt_ohm else 1.0 for n in nouns])
    counts = np.array([n.input.counts for n in nouns], dtype=np.float64).reshape(-1, 2)
    ends = np.array([n.input.electrical for n in nouns], dtype=np.float64).reshape(-1, 2)
    ends = ends * factor[:, None]
    per_count = (ends[:, 1] - ends[:, 0]) / (counts[:, 1] - counts[:, 0])
    finest = _floats([signal_step(n, site.point(n.counts)) for n in nouns])
    clamps = np.array([n.input.clamps for n in nouns], dtype=np.bool_)
    span = _floats([n.span_pa for n in nouns])
    low, high = _floats([s.low for s in signals]), _floats([s.high for s in signals])
    return TransducerColumns(
        ids=tuple(site.transducers),
        controller=_ints([order.index(n.counts.partition(".")[0]) for n in nouns]),
        counts=_ints([where[n.counts] for n in nouns]),
        controller_value=_ints(
            [where[n.controller_value] if n.controller_value else ABSENT for n in nouns]
        ),
        per_count=per_count,
        at_zero=ends[:, 0] - per_count * counts[:, 0],
        step=finest,
        card_low=np.where(clamps, ends.min(axis=1), -np.inf),
        card_high=np.where(clamps, ends.max(axis=1), np.inf),
        signal_low=low,
        signal_high=high,
        open_below=_floats([s.open_below for s in signals]),
        failure_low=_floats([s.failure_low for s in signals]),
        measure_low=_floats([s.measure_low for s in signals]),
        measure_high=_floats([s.measure_high for s in signals]),
        failure_high=_floats([s.failure_high for s in signals]),
        short_above=_floats([s.short_above for s in signals]),
        lrv=_floats([n.lrv_pa for n in nouns]),
        span=span,
        accuracy=span * _floats([n.accuracy_pct_span for n in nouns]) / 100,
        thermal=span * _floats([n.thermal_pct_span_per_K * n.thermal_swing_K for n in nouns]) / 100,
        stability=span * _floats([n.stability_pct_span_per_year for n in nouns]) / 100,
        resolution=finest / (high - low) * span,
        calibrated=_floats([_seconds(n.calibrated) for n in nouns]),
        tolerance=span * _floats([n.tolerance_pct_span for n in nouns]) / 100,
    )


def _seconds(day: date | None) -> float:
    return datetime.combine(day, time(), UTC).timestamp() if day else float("nan")


def _loops(site: Site, where: dict[str, int]) -> LoopColumns:
    nouns = list(site.loops.values())
    order = list(site.transducers)
    members = tuple(_ints([order.index(k) for k in noun.transducers]) for noun in nouns)
    has = np.zeros((len(nouns), len(order)), dtype=np.bool_)
    uses = np.zeros((len(nouns), len(site.controllers)), dtype=np.bool_)
    controllers = list(site.controllers)
    for row, (noun, mine) in enumerate(zip(nouns, members, strict=True)):
        has[row, mine] = True
        refs = [site.transducers[k].counts for k in noun.transducers]
        refs += [r for r in (noun.feedback, noun.setpoint, noun.output, noun.running) if r]
        uses[row, [controllers.index(r.partition(".")[0]) for r in refs]] = True
    unit = [PASCALS[site.loop_unit(key)] for key in site.loops]
    return LoopColumns(
        ids=tuple(site.loops),
        members=members,
        combine=tuple(noun.combine for noun in nouns),
        feedback=_ints([where[n.feedback] if n.feedback else ABSENT for n in nouns]),
        setpoint=_ints([where[n.setpoint] if n.setpoint else ABSENT for n in nouns]),
        output=_ints([where[n.output] if n.output else ABSENT for n in nouns]),
        running=_ints([where[n.running] if n.running else ABSENT for n in nouns]),
        uses=uses,
        has=has,
        place_difference=_floats(
            [n.place_difference * f for n, f in zip(nouns, unit, strict=True)]
        ),
        output_low=_floats([n.output_range[0] if n.output_range else np.nan for n in nouns]),
        output_high=_floats([n.output_range[1] if n.output_range else np.nan for n in nouns]),
    )


def by_size(loops: LoopColumns, without: tuple[str, ...] = ()) -> tuple[tuple[Ints, Ints], ...]:
    """Loops with equally many members, so that they can be worked on together.

    Each group: (n,) loop columns and (n, m) transducer columns. without: combinations left out.
    """
    sizes: dict[int, list[int]] = {}
    for k, members in enumerate(loops.members):
        if loops.combine[k] not in without:
            sizes.setdefault(len(members), []).append(k)
    return tuple((_ints(ks), np.stack([loops.members[k] for k in ks])) for ks in sizes.values())
