"""What the loop's transducers make together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .blocks import Codes, Floats
from .columns import Ints, LoopColumns
from .quality import Quality, Reason

COMBINATIONS = ("average", "minimum", "maximum", "median", "sum", "difference", "single")


def combine(kind: str, members: Floats) -> Floats:
    """Combined pressure over the last axis; NaN where any member is NaN.

    members: (..., m). ValueError for an unknown kind. "difference" is first minus second.
    """
    match kind:
        case "average":
            result = members.mean(axis=-1)
        case "minimum":
            result = members.min(axis=-1)
        case "maximum":
            result = members.max(axis=-1)
        case "median":
            result = _median(members)
        case "sum":
            result = members.sum(axis=-1)
        case "difference":
            result = members[..., 0] - members[..., 1]
        case "single":
            result = members[..., 0]
        case _:
            raise ValueError(f"combination {kind!r}: one of {', '.join(COMBINATIONS)}")
    out: Floats = np.asarray(result, dtype=np.float64)
    return out


def _median(members: Floats) -> Floats:
    ordered = np.sort(members, axis=-1)
    m = members.shape[-1]
    middle = (ordered[..., (m - 1) // 2] + ordered[..., m // 2]) / 2
    return np.where(np.isnan(members).any(axis=-1), np.nan, middle)


def driver(kind: str, members: Floats) -> Ints:
    """Which member decides the combined pressure, over the last axis; -1 where all do."""
    m = members.shape[-1]
    order = np.argsort(members, axis=-1, kind="stable")
    match kind:
        case "minimum":
            chosen = order[..., 0]
        case "maximum":
            chosen = order[..., m - 1]
        case "median" if m % 2:
            chosen = order[..., m // 2]
        case "single":
            chosen = order[..., 0]
        case _:
            chosen = np.full(members.shape[:-1], -1)
    return np.where(np.isnan(members).any(axis=-1), -1, chosen).astype(np.int64)


@dataclass(frozen=True)
class Combined:
    """(rows, L) arrays, as in `Readings`."""

    pressure: Floats
    quality: Codes
    reasons: Codes
    driver: Ints


def groups(loops: LoopColumns) -> tuple[tuple[str, Ints, Ints], ...]:
    """Loops that combine alike: (kind, (n,) loop columns, (n, m) transducer columns)."""
    alike: dict[tuple[str, int], list[int]] = {}
    for k, (kind, members) in enumerate(zip(loops.combine, loops.members, strict=True)):
        alike.setdefault((kind, len(members)), []).append(k)
    return tuple(
        (kind, np.array(rows, dtype=np.int64), np.stack([loops.members[k] for k in rows]))
        for (kind, _), rows in alike.items()
    )


def combine_loops(
    grouped: tuple[tuple[str, Ints, Ints], ...], n_loops: int, pressure: Floats, quality: Codes
) -> Combined:
    """Every loop's combined pressure from (rows, T) pressures and qualities."""
    rows = len(pressure)
    out = np.full((rows, n_loops), np.nan)
    worst = np.zeros((rows, n_loops), dtype=np.uint8)
    drives = np.full((rows, n_loops), -1, dtype=np.int64)
    for kind, loops, members in grouped:
        values = pressure[:, members]
        out[:, loops] = combine(kind, values)
        worst[:, loops] = quality[:, members].max(axis=-1)
        chosen = driver(kind, values)
        column = np.take_along_axis(
            np.broadcast_to(members, values.shape), np.maximum(chosen, 0)[..., None], axis=-1
        )[..., 0]
        drives[:, loops] = np.where(chosen >= 0, column, -1)
    reasons = np.where(worst > Quality.GOOD, Reason.MEMBER, Reason.NONE).astype(np.uint8)
    return Combined(out, worst, reasons, drives)
