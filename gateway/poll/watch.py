"""Raw registers watched for a person who looks for the one that moves."""

from __future__ import annotations

import asyncio
import struct
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from math import isfinite
from typing import Self

from gateway.errors import LinkError, ReplyError
from gateway.plant.controllers import Controller, Table

from .connection import Connection, RefusedError, ask

NEVER_THERE = (2, 3)
"""Exceptions that blame the address or the number of registers: a part may be readable."""
NO_SUCH_FUNCTION = 1


@dataclass(frozen=True)
class Register:
    """One register as seen so far; None for what was never read.

    `lowest` and `highest` are unsigned or signed, whichever reading has spanned less: a small
    value that crosses zero is signed. `float_high_first` and `float_low_first`: this register and
    the next as a float32, where that gives a plausible number.
    """

    address: int
    refused: bool = False
    uint16: int | None = None
    int16: int | None = None
    lowest: int | None = None
    highest: int | None = None
    changes: int = 0
    float_high_first: float | None = None
    float_low_first: float | None = None


@dataclass(frozen=True)
class Observation:
    """All registers after one round of reading. `trouble`: what went wrong in it, or empty."""

    time: float
    rounds: int
    table: Table
    registers: tuple[Register, ...]
    trouble: str


@dataclass
class _Seen:
    word: int
    changes: int = 0
    unsigned: tuple[int, int] = (65535, 0)
    signed: tuple[int, int] = (32767, -32768)

    def look(self, word: int) -> None:
        self.changes += word != self.word
        self.word = word
        signed = _signed(word)
        self.unsigned = (min(self.unsigned[0], word), max(self.unsigned[1], word))
        self.signed = (min(self.signed[0], signed), max(self.signed[1], signed))


class RegisterWatch(AsyncIterator[Observation]):
    """`async with RegisterWatch(...) as watch: async for observation in watch: ...`.

    Reads registers `first` to `last` of `table` every `controller.interval_s`, for ever. Entering
    raises LinkError when the controller cannot be reached; later troubles are told in the
    observations. ValueError for a range outside 0 to 65535.
    """

    def __init__(
        self,
        controller: Controller,
        table: Table,
        first: int,
        last: int,
        *,
        wall: Callable[[], float] = time.time,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        if not 0 <= first <= last <= 65535:
            raise ValueError(f"registers {first} to {last}; allowed: 0 <= first <= last <= 65535")
        self._controller = controller
        self._table = table
        self._range = range(first, last + 1)
        most = controller.reads.max_registers
        starts = range(first, last + 1, most)
        # First address and count of each read, cut up until the controller answers it.
        self._pieces = [(start, min(most, last + 1 - start)) for start in starts]
        self._seen: dict[int, _Seen] = {}
        self._refused: set[int] = set()
        self._wall = wall
        self._sleep = sleep
        self._connection: Connection | None = None
        self._rounds = 0

    async def __aenter__(self) -> Self:
        await self._connected()
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._connection:
            self._connection.close()

    async def __anext__(self) -> Observation:
        if self._rounds:
            await self._sleep(self._controller.interval_s)
        self._rounds += 1
        trouble = await self._round()
        registers = tuple(self._register(address) for address in self._range)
        return Observation(self._wall(), self._rounds, self._table, registers, trouble)

    async def _connected(self) -> Connection:
        if not self._connection or self._connection.closed:
            fresh = Connection(self._controller)
            await fresh.open()
            self._connection = fresh
        return self._connection

    async def _round(self) -> str:
        """Read every piece once; gives what went wrong, or an empty text."""
        trouble = ""
        waiting, self._pieces = self._pieces[::-1], []
        while waiting:
            first, count = waiting.pop()
            try:
                words = await ask(self._connected, self._table, first, count)
            except RefusedError as error:
                if error.code in NEVER_THERE and count > 1:
                    half = count // 2
                    waiting += [(first + half, count - half), (first, half)]
                    continue
                if error.code in (*NEVER_THERE, NO_SUCH_FUNCTION):
                    self._refused.update(range(first, first + count))
                    continue
                trouble = trouble or str(error)
            except ReplyError as error:
                trouble = trouble or str(error)
            except LinkError as error:
                self._pieces += [(first, count), *waiting[::-1]]
                return trouble or str(error)
            else:
                for address, word in enumerate(words, start=first):
                    self._seen.setdefault(address, _Seen(word)).look(word)
            self._pieces.append((first, count))
        return trouble

    def _register(self, address: int) -> Register:
        seen = self._seen.get(address)
        if seen is None:
            return Register(address, refused=address in self._refused)
        following = self._seen.get(address + 1)
        spans = (seen.unsigned, seen.signed)
        lowest, highest = min(spans, key=lambda span: span[1] - span[0])
        return Register(
            address,
            uint16=seen.word,
            int16=_signed(seen.word),
            lowest=lowest,
            highest=highest,
            changes=seen.changes,
            float_high_first=_float(seen, following),
            float_low_first=_float(following, seen),
        )


def _float(high: _Seen | None, low: _Seen | None) -> float | None:
    return plausible_float(high.word, low.word) if high and low else None


def _signed(word: int) -> int:
    return word - 65536 if word > 32767 else word


def plausible_float(high: int, low: int) -> float | None:
    """Two words as a float32, when it is of a size that plant data has (0.0001 to 10 million)."""
    value: float = struct.unpack(">f", struct.pack(">HH", high, low))[0]
    return value if isfinite(value) and 1e-4 <= abs(value) <= 1e7 else None


COLUMNS = (
    "register", "hex", "uint16", "int16", "lowest", "highest", "changes",
    "float32 high-first", "float32 low-first",
)  # fmt: skip


def table_rows(observation: Observation, *, moving_only: bool = False) -> list[tuple[str, ...]]:
    """A row of plain strings under COLUMNS for each register; or only for those that changed."""
    return [_cells(r) for r in observation.registers if r.changes or not moving_only]


def _cells(register: Register) -> tuple[str, ...]:
    if register.uint16 is None:
        words = "refused" if register.refused else "not read"
        return (str(register.address), words, *[""] * (len(COLUMNS) - 2))
    floats = (register.float_high_first, register.float_low_first)
    whole = (register.uint16, register.int16, register.lowest, register.highest, register.changes)
    return (
        str(register.address),
        f"{register.uint16:04X}",
        *(str(number) for number in whole),
        *("" if number is None else f"{number:.6g}" for number in floats),
    )
