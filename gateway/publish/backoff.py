"""How long to wait before trying a receiver again."""

from __future__ import annotations

import random
from collections.abc import Iterator

FIRST_S = 1.0
LONGEST_S = 60.0


def delays(first: float = FIRST_S, longest: float = LONGEST_S) -> Iterator[float]:
    """Seconds, doubling up to `longest`, each shortened by a random part up to a half.

    The random part keeps many gateways from coming back to one server at the same instant.
    """
    whole = first
    while True:
        yield max(first, whole * random.uniform(0.5, 1.0))  # noqa: S311 - spreads load, no secret
        whole = min(longest, whole * 2)
