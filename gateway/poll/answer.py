"""Whether bytes from the wire are the answer to a request: to the last bit, or not at all.

The library below takes answers of another function, another length or transaction 0 for good, so
every byte is judged here before it gets there. Layout: Modbus Messaging on TCP/IP V1.0b section
3.1.3 (header) and Modbus Application Protocol V1.1b3 sections 6.3, 6.4 and 7 (functions 3 and 4,
exceptions).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from gateway.errors import ReplyError

EXCEPTION_WORDS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""Exception codes of Modbus Application Protocol V1.1b3 section 7."""

_HEADER = struct.Struct(">HHHBB")
READING = (3, 4)
"""The only function codes that ever leave: read holding registers, read input registers."""


@dataclass(frozen=True)
class Asked:
    """One request as it went out."""

    transaction: int
    unit: int
    function: int
    count: int


def asked(data: bytes) -> Asked:
    """The request in `data`, a whole message of 12 bytes.

    RuntimeError for anything but function codes 3 and 4: this program only reads.
    """
    transaction, _, _, unit, function = _HEADER.unpack_from(data)
    if function not in READING:
        raise RuntimeError(f"function code {function} must never be sent; allowed: 3 and 4")
    return Asked(transaction, unit, function, int.from_bytes(data[10:12], "big"))


def complete(request: Asked, data: bytes) -> bool:
    """True when `data` is the one whole answer (or exception) to `request`.

    False while it may still become one; ReplyError, saying what is odd, when it cannot.
    """
    size = 2 * request.count
    head = (request.transaction, 0)
    answer = _HEADER.pack(*head, 3 + size, request.unit, request.function) + bytes([size])
    refusal = _HEADER.pack(*head, 3, request.unit, request.function | 0x80)
    for start, length in ((answer, 9 + size), (refusal, 9)):
        if start.startswith(data[: len(start)]):
            if len(data) > length:
                raise ReplyError(f"{len(data) - length} bytes more than the answer")
            return len(data) == length
    raise ReplyError(_oddity(request, data))


def _oddity(request: Asked, data: bytes) -> str:
    if len(data) < _HEADER.size:
        return f"bytes that begin no answer: {data.hex(' ')}"
    transaction, protocol, _, unit, function = _HEADER.unpack_from(data)
    for name, found, wanted in (
        ("protocol", protocol, 0),
        ("transaction", transaction, request.transaction),
        ("unit", unit, request.unit),
        ("function code", function & 0x7F, request.function),
    ):
        if found != wanted:
            return f"an answer of {name} {found} instead of {wanted}"
    return f"an answer of another length than {request.count} registers: {data[:9].hex(' ')}"
