"""Malformed answers on the Modbus side, by the million, in process.

Bytes go the way they go in the gateway: in pieces, through the gate that stands before the library
(`poll/gate.py`), and what it lets pass through the decoding of the poller. The library itself and
sockets are left out here, since the gate shows it nothing but whole answers; `tests/poll` sends
some thousands through them.
"""

from __future__ import annotations

import math
import random
import struct
import time
from dataclasses import dataclass, field

import numpy as np

from gateway.errors import LinkError, ReplyError
from gateway.measure.quality import Reason
from gateway.plant.controllers import Controller
from gateway.poll.gate import Gate
from gateway.poll.plan import plan
from gateway.poll.poller import _Reading
from tests.poll.peers import answer as proper
from tests.poll.spoils import SPOILS

from .report import Outcome

POINTS = {
    "counts": {"table": "input", "address": 0},
    "signed": {"table": "input", "address": 1, "type": "int16"},
    "value": {"table": "input", "address": 2, "type": "float32"},
    "total": {"table": "input", "address": 4, "type": "uint32", "word_order": "low-first"},
    "running": {"table": "input", "address": 6, "bit": 3},
}
WORDS = 7
FORMAT = ">HhfHHH"
"""The same registers in one go, worked out apart from the gateway's decoding."""


@dataclass
class Tally:
    """What became of the answers."""

    malformed: int = 0
    proper: int = 0
    shown: int = 0
    wrong: list[str] = field(default_factory=list)


def expected(words: bytes) -> tuple[float, ...]:
    """Values of POINTS from the registers of a proper answer; NaN where there is no number."""
    counts, signed, value, low, high, bits = struct.unpack(FORMAT, words)
    return (counts, signed, value, (high << 16) + low, float(bits >> 3 & 1))


def run(malformed: int, seed: int) -> Tally:
    """So many malformed answers and the proper ones that come among them, one request each."""
    controller = Controller.model_validate({"host": "127.0.0.1", "points": POINTS})
    (request,) = plan(controller)
    rng, tally, last = random.Random(seed), Tally(), b"\0"  # noqa: S311 (no secret)
    names, ways = list(SPOILS), list(SPOILS.values())
    given_up: list[LinkError | ReplyError | None] = []
    gate = Gate(given_up.append)
    number = 0
    while tally.malformed < malformed:
        number += 1
        asked = struct.pack(">HHHBBHH", number % 50_000, 0, 6, 1, 4, 0, WORDS)
        whole = proper(asked, [rng.getrandbits(16) for _ in range(WORDS)])
        way = rng.randrange(len(ways))
        sent, last = ways[way](rng, whole, last), whole
        given_up.clear()
        gate.begin("input 0 to 6")
        gate.passing(True, asked)  # noqa: FBT003 (pymodbus calls it so)
        passed = _through(gate, given_up, sent, rng.randrange(len(sent) + 1))
        gate.end()
        right = len(passed) == 9 + 2 * WORDS and passed[:9] == whole[:9]
        tally.proper += right
        tally.malformed += sent != whole and not right
        if not passed:
            continue
        if passed[7] & 0x80:
            continue  # an exception: no values
        blank = np.full(len(POINTS), np.nan), np.full(len(POINTS), Reason.NO_COMMUNICATION)
        reading = _Reading(*blank)
        reading.fill(request, struct.unpack(f">{WORDS}H", passed[9 : 9 + 2 * WORDS]))
        good = reading.reasons == Reason.NONE
        tally.shown += bool(good.any())
        values = expected(passed[9:]) if right else ()
        if not right or not _same(reading.values, good, values):
            tally.wrong.append(f"{names[way]}: {sent.hex(' ')} to {asked.hex(' ')}")
    return tally


def _through(
    gate: Gate, given_up: list[LinkError | ReplyError | None], sent: bytes, cut: int
) -> bytes:
    """What the gate lets pass of an answer that comes in two pieces, b"" for nothing."""
    buffer, passed = b"", b""
    for piece in (sent[:cut], sent[cut:]):
        if given_up or not piece:
            continue
        buffer += piece
        if out := gate.passing(False, buffer):  # noqa: FBT003 (pymodbus calls it so)
            passed, buffer = out, b""
    return passed


def _same(values: np.ndarray, good: np.ndarray, wanted: tuple[float, ...]) -> bool:
    """A value for every point that has one, NaN and a reason for every other."""
    for value, fine, want in zip(values.tolist(), good.tolist(), wanted, strict=True):
        if math.isfinite(want) != fine or (fine and value != want):
            return False
    return True


def drill(malformed: int = 1_000_000, seed: int | None = None) -> list[Outcome]:
    """The line of the table; AssertionError when a wrong value was shown."""
    seed = time.time_ns() if seed is None else seed
    began = time.perf_counter()
    tally = run(malformed, seed)
    took = time.perf_counter() - began
    assert not tally.wrong, f"seed {seed}: {tally.wrong[:3]}"
    remarks = [f"no wrong value shown; {took:.0f} s, seed {seed}"]
    lost = tally.proper - tally.shown
    what = "proper answers among them"
    return [Outcome("answers of a controller", malformed, what, tally.proper, lost, 0, (), remarks)]
