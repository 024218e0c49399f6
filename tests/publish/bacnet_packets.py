"""A small reader of BACnet/IP packets of our own: event notifications, summaries, refusals.

It shares no code with the program or its library. Layouts of packets from memory of ASHRAE 135;
that the independent client reads the same packets is tested beside it.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import cast

from tests.publish.made import until

Stamp = tuple[tuple[int, ...], tuple[int, ...]]
CONFIRMED, UNCONFIRMED, SIMPLE_ACK, COMPLEX_ACK, ERROR, REJECT = 0, 1, 2, 3, 5, 6


@dataclass(frozen=True)
class Tag:
    """One tag: octets of a value, or what stands between an opening and a closing tag."""

    number: int
    context: bool
    octets: bytes = b""
    inner: tuple[Tag, ...] = ()

    @property
    def unsigned(self) -> int:
        return int.from_bytes(self.octets, "big")

    @property
    def real(self) -> float:
        return float(struct.unpack("!f", self.octets)[0])

    @property
    def text(self) -> str:
        assert self.octets[0] == 0, "UTF-8"
        return self.octets[1:].decode()

    @property
    def bits(self) -> tuple[int, ...]:
        all_bits = [octet >> (7 - k) & 1 for octet in self.octets[1:] for k in range(8)]
        return tuple(all_bits[: len(all_bits) - self.octets[0]])

    @property
    def object_id(self) -> tuple[int, int]:
        return self.unsigned >> 22, self.unsigned & 0x3FFFFF

    def __getitem__(self, number: int) -> Tag:
        return next(tag for tag in self.inner if tag.context and tag.number == number)


def tags(octets: bytes) -> tuple[Tag, ...]:
    """All tags of some octets."""
    found, end = _until_closed(octets, 0)
    assert end == len(octets)
    return tuple(found)


def _until_closed(octets: bytes, at: int) -> tuple[list[Tag], int]:
    found: list[Tag] = []
    while at < len(octets):
        first = octets[at]
        number, context, length = first >> 4, bool(first & 8), first & 7
        at += 1
        if number == 15:  # more than fits into half an octet
            number, at = octets[at], at + 1
        if context and length == 7:
            return found, at
        if context and length == 6:
            inner, at = _until_closed(octets, at)
            found.append(Tag(number, context, inner=tuple(inner)))
            continue
        if not context and number == 1:  # a boolean has its value in the length
            found.append(Tag(number, context, bytes([length])))
            continue
        if length == 5:
            length, at = octets[at], at + 1
            if length == 254:
                length, at = int.from_bytes(octets[at : at + 2], "big"), at + 2
        found.append(Tag(number, context, octets[at : at + length]))
        at += length
    return found, at


@dataclass(frozen=True)
class Packet:
    """The application part of a packet."""

    octets: bytes

    @property
    def kind(self) -> int:
        return self.octets[0] >> 4

    @property
    def invoke(self) -> int:
        return self.octets[2] if self.kind == CONFIRMED else self.octets[1]

    @property
    def service(self) -> int:
        return self.octets[{CONFIRMED: 3, UNCONFIRMED: 1}.get(self.kind, 2)]

    @property
    def body(self) -> tuple[Tag, ...]:
        return tags(self.octets[{CONFIRMED: 4, UNCONFIRMED: 2}.get(self.kind, 3) :])


def unwrapped(datagram: bytes) -> Packet:
    """The application part of a unicast or broadcast datagram without routing."""
    assert datagram[0] == 0x81
    assert datagram[1] in (0x0A, 0x0B)
    assert int.from_bytes(datagram[2:4], "big") == len(datagram)
    assert datagram[4] == 1
    at = 6
    if datagram[5] & 0x20:  # destination network, address, hops
        at += 3 + datagram[8] + 1
    return Packet(datagram[at:])


def wrapped(octets: bytes, *, expects_answer: bool = False, broadcast: bool = False) -> bytes:
    """A datagram around the application part."""
    function = 0x0B if broadcast else 0x0A
    control = 4 if expects_answer else 0
    return struct.pack("!BBHBB", 0x81, function, 6 + len(octets), 1, control) + octets


@dataclass(frozen=True)
class Told:
    """An event notification."""

    confirmed: bool
    process: int
    device: tuple[int, int]
    object_id: tuple[int, int]
    stamp: Stamp
    notification_class: int
    priority: int
    event_type: int
    text: str
    notify_type: int
    ack_required: bool | None
    from_state: int | None
    to_state: int
    values: Tag | None

    @property
    def instance(self) -> int:
        return self.object_id[1]


def stamp(tag: Tag) -> Stamp:
    """A time stamp with date and time: full year, month, day, weekday; hour to hundredths."""
    date, time = tag.inner[0].inner
    year, *rest = date.octets
    return (year + 1900 if year != 255 else 255, *rest), tuple(time.octets)


def told(packet: Packet) -> Told | None:
    """The event notification in a packet, None for anything else."""
    service = {CONFIRMED: 2, UNCONFIRMED: 3}.get(packet.kind)
    if packet.service != service:
        return None
    by_number = {tag.number: tag for tag in packet.body}
    return Told(
        confirmed=packet.kind == CONFIRMED,
        process=by_number[0].unsigned,
        device=by_number[1].object_id,
        object_id=by_number[2].object_id,
        stamp=stamp(by_number[3]),
        notification_class=by_number[4].unsigned,
        priority=by_number[5].unsigned,
        event_type=by_number[6].unsigned,
        text=by_number[7].text,
        notify_type=by_number[8].unsigned,
        ack_required=bool(by_number[9].unsigned) if 9 in by_number else None,
        from_state=by_number[10].unsigned if 10 in by_number else None,
        to_state=by_number[11].unsigned,
        values=by_number.get(12),
    )


@dataclass(frozen=True)
class Summary:
    """One entry of an answer about events."""

    instance: int
    state: int
    acknowledged: tuple[int, ...]
    stamps: tuple[Stamp, ...]
    notify_type: int
    enabled: tuple[int, ...]
    priorities: tuple[int, ...]


def summaries(octets: bytes) -> tuple[list[Summary], bool]:
    """Entries of an answer about events, and whether there are more."""
    entries, more = tags(octets)
    found = []
    for k in range(0, len(entries.inner), 7):
        one = entries.inner[k : k + 7]
        stamps = [stamp(Tag(0, context=True, inner=(tag,))) for tag in one[3].inner]
        priorities = tuple(tag.unsigned for tag in one[6].inner)
        found.append(
            Summary(
                one[0].object_id[1], one[1].unsigned, one[2].bits, tuple(stamps),
                one[4].unsigned, one[5].bits, priorities,
            )
        )  # fmt: skip
    return found, bool(more.unsigned)


@dataclass
class Listener(asyncio.DatagramProtocol):
    """A BACnet address of our own on loopback. Confirms what it is told while `answers`."""

    answers: bool = True
    packets: list[Packet] = field(default_factory=list)
    taken: dict[tuple[object, int], bytes] = field(default_factory=dict)
    """The last request from an address with a number."""
    transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        packet = unwrapped(data)
        if packet.kind != CONFIRMED:
            self.packets.append(packet)
        elif self.answers:
            # Who waited too long for our answer repeats its request: that is no second one.
            number = (addr, packet.invoke)
            if self.taken.get(number) != packet.octets:
                self.packets.append(packet)
            self.taken[number] = packet.octets
            self.send(bytes([SIMPLE_ACK << 4, packet.invoke, packet.service]), addr)

    def send(self, octets: bytes, to: tuple[str, int], *, broadcast: bool = False) -> None:
        assert self.transport is not None
        expects = octets[0] >> 4 == CONFIRMED
        self.transport.sendto(wrapped(octets, expects_answer=expects, broadcast=broadcast), to)

    @property
    def address(self) -> str:
        assert self.transport is not None
        host, port = self.transport.get_extra_info("sockname")
        return f"{host}:{port}"

    @property
    def events(self) -> list[Told]:
        return [one for one in map(told, self.packets) if one is not None]

    async def ask(self, octets: bytes, to: tuple[str, int], seconds: float = 10.0) -> Packet:
        """Send a request and wait for its answer; the invoke id is the third octet."""
        seen = len(self.packets)
        self.send(octets, to)

        def answer() -> Packet | None:
            fresh = self.packets[seen:]
            return next((p for p in fresh if p.kind > 1 and p.invoke == octets[2]), None)

        packet: Packet = await until(answer, seconds)
        return packet


@asynccontextmanager
async def listening(host: str = "127.0.0.1") -> AsyncIterator[Listener]:
    """A listener on a free port of a loopback address."""
    loop = asyncio.get_running_loop()
    transport, listener = await loop.create_datagram_endpoint(
        Listener, local_addr=(host, 0), allow_broadcast=True
    )
    try:
        yield listener
    finally:
        transport.close()
        await asyncio.sleep(0)


async def told_to(recipient: Listener, count: int, *, again: bool = False) -> list[Told]:
    """Exactly so many event notifications, as soon as they are there.

    again: one that was confirmed too late may come a second time.
    """

    def events() -> list[Told]:
        return list(dict.fromkeys(recipient.events)) if again else recipient.events

    await until(lambda: len(events()) >= count, 60)
    found = events()
    assert len(found) == count
    return found
