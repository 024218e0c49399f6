"""The device's UDP port: made sure of before the protocol library gets it, closed after it.

The library takes a port that another program has without a word, and tries for ever to get one
that does not exist.
"""

from __future__ import annotations

import asyncio
import errno
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from ipaddress import IPv4Interface
from typing import Any

from bacpypes3.pdu import IPv4Address

from gateway.errors import StartError

from .bacnet_objects import network_port

BIND_S = 5.0
SOON_S = 1.0
"""Binding takes a turn or two of the loop. One that is cut short is an error in the log, whatever
the reason for stopping was."""


def claim(address: IPv4Interface, port: int) -> IPv4Address:
    """The address in the library's form; StartError naming what stands in the way."""
    own = str(address.ip)
    _try(own, port, shared=False)
    broadcast = str(address.network.broadcast_address)
    if broadcast != own:
        _try(broadcast, port, shared=True)  # several devices of one machine hear broadcasts
    return IPv4Address(f"{address.with_prefixlen}:{port}")


def _try(host: str, port: int, *, shared: bool) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        if shared:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEPORT, 1)
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            why = {
                errno.EADDRINUSE: "is in use by another program",
                errno.EADDRNOTAVAIL: "is of no network card of this machine",
            }.get(error.errno or 0, f"is not to be had: {error.strerror}")
            raise StartError(
                f"BACnet: UDP port {port} on {host} {why}; set LOOPWITNESS_BACNET_ADDRESS and "
                "LOOPWITNESS_BACNET_PORT"
            ) from error


@asynccontextmanager
async def opened(application: Any, address: IPv4Address) -> AsyncIterator[None]:
    """The application on its port, until the block ends."""
    try:
        application.add_object(network_port(address))
        (link,) = application.link_layers.values()
        if await _bound(link, BIND_S):
            raise StartError(f"BACnet: UDP port {address} was taken meanwhile")
        if link.server.broadcast_address is not None:
            application.i_am()
        yield
    finally:
        application.asap.stop()
        for layer in application.link_layers.values():
            for task in await _bound(layer, SOON_S):
                task.cancel()  # it would try for ever
        application.close()
        await asyncio.sleep(0)  # the socket is closed on the next turn


async def _bound(link: Any, longest_s: float) -> set[asyncio.Task[Any]]:
    """Let the library bind its sockets, without cutting it short; those that are not bound then."""
    binding: list[asyncio.Task[Any]] = link.server._transport_tasks  # noqa: SLF001 - nothing public
    return (await asyncio.wait(binding, timeout=longest_s))[1] if binding else set()
