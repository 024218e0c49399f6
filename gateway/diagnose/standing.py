"""A judge's opinion between the minutes: it stands until the next minute closes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Stand = tuple[int, Mapping[str, NDArray[Any]]]
"""Row from which on an opinion stands, and the opinion: (N,) arrays by name."""


def spread(rows: int, stands: Sequence[Stand]) -> dict[str, NDArray[Any]]:
    """(rows, N) arrays by name: at each row the latest opinion. The first must start at row 0."""
    starts = [row for row, _ in stands]
    latest = np.searchsorted(starts, np.arange(rows), side="right") - 1
    return {name: np.stack([s[name] for _, s in stands])[latest] for name in stands[0][1]}
