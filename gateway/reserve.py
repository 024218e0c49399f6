"""Memory that is free but kept by the C library goes back to the system now and then.

Big answers, exports and batches leave holes between what stays. The library keeps them for later,
and in years the pile would only ever be as high as the worst moments together.
"""

from __future__ import annotations

import asyncio
import ctypes
from collections.abc import Awaitable, Callable

EVERY_S = 600.0


async def keep_small(sleep: Callable[[float], Awaitable[None]] = asyncio.sleep) -> None:
    """Give memory back every ten minutes until cancelled."""
    while True:
        await sleep(EVERY_S)
        await asyncio.to_thread(give_back)


def give_back() -> bool:
    """Whether something went back; False too where the C library knows no malloc_trim(3)."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    return bool(trim is not None and trim(0))
