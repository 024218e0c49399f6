"""One TCP connection to a controller, trusted until anything odd happens on it.

After a timeout or an odd answer it is closed for good, so that an answer that comes late can
never be taken for a later one.
"""

from __future__ import annotations

import asyncio
import logging
import os
import random
import socket
from collections.abc import Awaitable, Callable
from typing import Any, Self, TypeVar

from pymodbus.client import AsyncModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ExceptionResponse

from gateway.errors import LinkError, ReplyError
from gateway.plant.controllers import Controller, Table

from .answer import EXCEPTION_WORDS
from .gate import Gate, HungUpError
from .names import addresses

T = TypeVar("T")

# It logs every unanswered request as an error; the poller tells of changes instead.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL)


class RefusedError(ReplyError):
    """The controller answered with an exception, in due form; the connection stays open."""

    def __init__(self, place: str, code: int) -> None:
        self.code = code
        words = EXCEPTION_WORDS.get(code, "not a code of the standard")
        super().__init__(f"{place}: exception {code} ({words})")


class Connection:
    """Opened once, closed once; `async with Connection(controller) as connection`.

    To be made where an event loop runs.
    """

    def __init__(self, controller: Controller) -> None:
        self._controller = controller
        self._gate = Gate(self._give_up)
        self._answered = False
        self._refusal = ""
        self._client = AsyncModbusTcpClient(
            controller.host,
            port=controller.port,
            timeout=controller.timeout_s,
            retries=0,
            reconnect_delay=0,
            trace_packet=self._gate.passing,
            trace_connect=self._gate.changed,
        )
        self._client.ctx.call_create = self._create_noting_why
        # It drops longer floods before the gate sees them.
        self._client.ctx.max_buffer_size = 2**20

    async def __aenter__(self) -> Self:
        await self.open()
        return self

    async def __aexit__(self, *_: object) -> None:
        self.close()

    @property
    def closed(self) -> bool:
        """True before `open`, and for good after `close`, a timeout or an odd answer."""
        return not self._client.connected

    @property
    def answered(self) -> bool:
        """Whether it has brought an answer, an exception included."""
        return self._answered

    async def open(self) -> None:
        """Connect; LinkError when that fails within the controller's `timeout_s`."""
        try:
            connected = await _cancellable(self._client.connect())
        except BaseException:
            self.close()
            raise
        if not connected:
            self.close()
            why = self._refusal or f"no answer within {self._controller.timeout_s:g} s"
            where = f"{self._controller.host}:{self._controller.port}"
            raise LinkError(f"no connection to {where}: {why}")
        # Transactions would begin at 1 each time: an answer left over from an earlier connection,
        # as gateways to serial lines may send it, shall not fit.
        self._client.ctx.next_tid = random.randrange(50_000)  # noqa: S311 (no secret)

    async def read(self, table: Table, address: int, count: int) -> tuple[int, ...]:
        """`count` registers (1 to 125) of `table` from `address` on, each 0 to 65535.

        RefusedError when the controller answers with an exception. Closed afterwards: LinkError
        when it does not answer within `timeout_s`, CutShortError when it only begins to, another
        ReplyError when it answers oddly.
        """
        place = f"{table} {address} to {address + count - 1}"
        if self.closed:
            raise LinkError(f"{place}: the connection is closed")
        client = self._client
        ask = client.read_input_registers if table == "input" else client.read_holding_registers
        self._gate.begin(place)
        try:
            answer = await _cancellable(
                ask(address, count=count, device_id=self._controller.unit_id)
            )
        except ModbusException as error:
            self.close()
            why = f"no answer within {self._controller.timeout_s:g} s"
            raise self._gate.silence(why) from error
        except BaseException:
            self.close()
            raise
        finally:
            self._gate.end()
        self._answered = True
        if isinstance(answer, ExceptionResponse):
            raise RefusedError(place, answer.exception_code)
        return tuple(answer.registers)

    def close(self) -> None:
        """Close; nothing that arrives from now on is looked at."""
        self._client.close()

    def _give_up(self, error: LinkError | ReplyError | None) -> None:
        # Without this a read would wait for its whole timeout, however odd the answer.
        waiting = self._client.ctx.response_future
        if error and not waiting.done():
            waiting.set_exception(error)
        self.close()

    async def _create(self) -> Any:
        """A connection to the first address that has one to give, each with its share of time."""
        loop, noun = asyncio.get_running_loop(), self._controller
        found = await addresses(noun.host, noun.port)
        trouble = OSError("no address")
        for address in found:
            try:
                async with asyncio.timeout(noun.timeout_s / len(found)):
                    made = self._client.ctx.handle_new_connection
                    return await loop.create_connection(made, address, noun.port)
            except OSError as error:
                trouble = error
        raise trouble

    async def _create_noting_why(self) -> Any:
        # connect() only answers False; a person wants to tell "refused" from "no such host".
        try:
            return await self._create()
        except (OSError, ValueError) as error:
            self._refusal = _in_words(error)
            raise OSError(self._refusal) from error


async def ask(
    connected: Callable[[], Awaitable[Connection]], table: Table, address: int, count: int
) -> tuple[int, ...]:
    """As `Connection.read`, over the connection that `connected` gives.

    Once more over a new one where a connection that has served before is closed instead of
    answered: some controllers close after each answer, others after some idle time, and either may
    cross with our request.
    """
    connection = await connected()
    try:
        return await connection.read(table, address, count)
    except HungUpError:
        if not connection.answered:
            raise
    return await (await connected()).read(table, address, count)


def _in_words(error: OSError | ValueError) -> str:
    if isinstance(error, ValueError):
        return "not a host name"
    if isinstance(error, socket.gaierror) or not error.errno:
        return error.strerror or str(error)
    return os.strerror(error.errno)


async def _cancellable(awaitable: Awaitable[T]) -> T:
    """Await, and let no cancellation get lost on the way.

    pymodbus may turn one into its own exception, and `asyncio.wait_for` of Python 3.11 drops one
    that comes in the same instant as the answer, or as the error.
    """
    task = asyncio.current_task()
    before = task.cancelling() if task else 0
    try:
        result = await awaitable
    except Exception as error:
        if task and task.cancelling() > before:
            raise asyncio.CancelledError from error
        raise
    if task and task.cancelling() > before:
        raise asyncio.CancelledError
    return result
