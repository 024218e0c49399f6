"""Time as another thread of this process has it.

A clock on the wall goes on while a slow machine pauses everything, this does not: what takes long
by it was held up by our own doing.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

BEAT_S = 0.01


@contextmanager
def pulse() -> Iterator[Callable[[], float]]:
    """Gives a function that tells the seconds since then, to about BEAT_S."""
    end, beats = threading.Event(), [0]

    def beat() -> None:
        while not end.wait(BEAT_S):
            beats[0] += 1

    thread = threading.Thread(target=beat, name="pulse", daemon=True)
    thread.start()
    try:
        yield lambda: beats[0] * BEAT_S
    finally:
        end.set()
        thread.join()
