"""A real Modbus TCP server for each controller of the plant.

It answers function codes 3 and 4 from the plant's present values and refuses everything else, and
it counts what it was asked.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from gateway.errors import StartError
from gateway.plant.controllers import Controller, Table

from .plant import Plant
from .registers import words

TABLE_OF: dict[int, Table] = {3: "holding", 4: "input"}
"""Function code -> table."""

Run = tuple[int, int]


class Station:
    """One controller on the network. `asked` counts requests by function code."""

    def __init__(self, plant: Plant, key: str) -> None:
        self.asked: Counter[int] = Counter()
        self._plant = plant
        self._key = key
        self._controller = plant.site.controllers[key]
        self._faults = plant.links[key].faults
        self._closing = asyncio.Event()

    def device(self) -> SimDevice:
        """What pymodbus serves: the readable runs of both tables, filled when asked."""
        bits = SimData(0, values=[False] * 16, datatype=DataType.BITS)
        tables = [
            [_readable(run) for run in readable(self._controller, table)] or [_nothing()]
            for table in ("holding", "input")
        ]
        holding, inputs = tables
        return SimDevice(
            id=self._controller.unit_id,
            simdata=([bits], [bits], holding, inputs),
            action=self.answer,
        )

    async def answer(
        self,
        function_code: int,
        start_address: int,
        address: int,
        count: int,
        registers: list[int],
        set_values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """Fill the asked registers (`registers` begins at `start_address`), or refuse."""
        self.asked[function_code] += 1
        if function_code not in TABLE_OF or set_values is not None:
            return ExcCodes.ILLEGAL_FUNCTION
        if delay := self._faults.get("slow-answers", 0.0):
            with suppress(TimeoutError):
                await asyncio.wait_for(self._closing.wait(), delay)
        if "bad-reply" in self._faults:
            return ExcCodes.DEVICE_FAILURE
        held = words(self._controller, self._plant.values(self._key))[TABLE_OF[function_code]]
        for k in range(address, address + count):
            registers[k - start_address] = held.get(k, 0)
        return None

    def packet(self, sending: bool, data: bytes) -> bytes:  # noqa: FBT001 - pymodbus calls it so
        """What passes on the wire: a silent controller sends nothing."""
        return b"" if sending and "no-communication" in self._faults else data

    def close(self) -> None:
        """Let go of answers that are being held back."""
        self._closing.set()


@asynccontextmanager
async def station(plant: Plant, key: str) -> AsyncIterator[Station]:
    """One controller listening at its own address; StartError when the port is not to be had."""
    controller = plant.site.controllers[key]
    at = Station(plant, key)
    server = ModbusTcpServer(
        at.device(), address=(controller.host, controller.port), trace_packet=at.packet
    )
    try:
        await server.serve_forever(background=True)
    except RuntimeError as error:
        raise StartError(
            f"controllers.{key}: cannot listen on {controller.host} port {controller.port}; "
            "allowed: a port that no other program uses"
        ) from error
    try:
        yield at
    finally:
        at.close()
        await server.shutdown()  # type: ignore[no-untyped-call] # pymodbus gives no types here


def readable(controller: Controller, table: Table) -> list[Run]:
    """Runs (first address, past the last) that answer: points, and gaps a read may go over."""
    reads = controller.reads
    barred = reads.forbidden_holding if table == "holding" else reads.forbidden_input
    spans = sorted(
        (p.address, p.address + p.registers) for p in controller.points.values() if p.table == table
    )
    runs: list[Run] = []
    for first, past in spans:
        if runs:
            begin, end = runs[-1]
            free = not any(low < first and end <= high for low, high in barred)
            if first <= end or (first - end <= reads.max_gap and free):
                runs[-1] = (begin, max(end, past))
                continue
        runs.append((first, past))
    return runs


def _readable(run: Run) -> SimData:
    first, past = run
    return SimData(first, values=[0] * (past - first), datatype=DataType.REGISTERS)


def _nothing() -> SimData:
    return SimData(0, count=1, datatype=DataType.INVALID)
