"""What is not on disk yet: bounded, the oldest go first and are counted."""

from __future__ import annotations

import asyncio
import sys
from collections import deque
from dataclasses import dataclass, field
from typing import NamedTuple

from gateway.measure.blocks import Block, Readings

from .journal import Entry, Happened

MEMORY = 64_000_000
"""Bytes that waiting rows may take, about."""
LEAST_ROWS, MOST_ROWS = 300, 36_000
"""Rows held at most: a few minutes of a large site, ten hours of a small one at a row a second."""
HAPPENED_BOUND = 10_000
"""Findings and transitions of alarms are few and outlive their rows, up to this many."""

Row = tuple[Block, Readings]


class Scan(NamedTuple):
    """What one pass brought: its rows, and what happened in them, in order."""

    block: Block
    readings: Readings
    happened: tuple[Happened, ...] = ()


class Deed(NamedTuple):
    """What somebody did. `kept` is set once it, and all before it, is on disk, or cannot be."""

    happened: tuple[Happened, ...]
    kept: asyncio.Future[None]


class Batch(NamedTuple):
    """What goes to the disk in one transaction, and who waits for it."""

    rows: list[Row]
    happened: list[Happened]
    waiting: list[asyncio.Future[None]]


def rows_in_memory(block: Block, readings: Readings) -> int:
    """How many rows like this one are held at most."""
    arrays = [*vars(block).values(), *vars(readings).values()]
    size = sum(sys.getsizeof(array) for array in arrays)
    return min(MOST_ROWS, max(LEAST_ROWS, MEMORY // size))


@dataclass
class Backlog:
    """Filled by the queue, emptied by commits."""

    bound: int | None = None
    """Rows that are held at most; None: as many as MEMORY allows for rows like the first."""
    rows: deque[Row] = field(default_factory=deque)
    happened: deque[Happened] = field(default_factory=deque)
    waiting: list[asyncio.Future[None]] = field(default_factory=list)
    lost: int = 0
    """Rows dropped since the start."""
    lost_events: int = 0
    """Findings and transitions dropped since the start."""

    def __len__(self) -> int:
        return len(self.rows) + len(self.happened) + len(self.waiting)

    def add(self, one: Scan | Deed | Entry) -> None:
        """Take in one pass, a deed, or an entry that nobody waits for."""
        if isinstance(one, Entry):
            self.happened.append(one)
            self._trim()
            return
        if isinstance(one, Deed):
            self.waiting.append(one.kept)
        else:
            if self.bound is None:
                self.bound = rows_in_memory(one.block, one.readings)
            self.rows.append((one.block, one.readings))
        self.happened.extend(one.happened)
        self._trim()

    def take(self) -> Batch:
        """Everything, taken out."""
        batch = Batch(list(self.rows), list(self.happened), self.waiting)
        self.rows.clear()
        self.happened.clear()
        self.waiting = []
        return batch

    def put_back(self, batch: Batch) -> None:
        """What the disk did not take, in front of what came since; who waited has been told."""
        self.rows.extendleft(reversed(batch.rows))
        self.happened.extendleft(reversed(batch.happened))
        self._trim()

    def _trim(self) -> None:
        while self.bound is not None and len(self.rows) > self.bound:
            self.rows.popleft()
            self.lost += 1
        while len(self.happened) > HAPPENED_BOUND:
            self.happened.popleft()
            self.lost_events += 1
