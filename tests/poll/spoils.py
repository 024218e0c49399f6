"""Ways to spoil the answer of a controller."""

from __future__ import annotations

import random
from collections.abc import Callable

Spoil = Callable[[random.Random, bytes, bytes], bytes]
SPOILS: dict[str, Spoil] = {
    "nothing": lambda _rng, whole, _last: whole,
    "a bit of the header": lambda rng, whole, _last: _flip(whole, rng.randrange(72)),
    "cut": lambda rng, whole, _last: whole[: rng.randrange(len(whole))],
    "more": lambda rng, whole, _last: whole + rng.randbytes(rng.randrange(1, 400)),
    "noise": lambda rng, _whole, _last: rng.randbytes(rng.randrange(1, 600)),
    "an exception": lambda rng, whole, _last: whole[:4] + b"\0\3\1\x84" + rng.randbytes(1),
    "an earlier answer": lambda _rng, _whole, last: last,
    "another length": lambda rng, whole, _last: whole[:5] + rng.randbytes(1) + whole[6:],
    "another body": lambda rng, whole, _last: whole[:8] + rng.randbytes(rng.randrange(1, 20)),
    "another protocol": lambda rng, whole, _last: whole[:2] + rng.randbytes(2) + whole[4:],
}


def _flip(whole: bytes, bit: int) -> bytes:
    flipped = int.from_bytes(whole, "big") ^ 1 << 8 * len(whole) - 1 - bit
    return flipped.to_bytes(len(whole), "big")
