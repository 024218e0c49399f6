"""The real Modbus TCP servers, read back by two independent clients."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager

import pytest
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.pdu import ModbusPDU
from pyModbusTCP.client import ModbusClient

from gateway.demo.plant import Plant
from gateway.demo.registers import storable
from gateway.demo.server import Station, readable, station
from gateway.errors import StartError
from gateway.plant.controllers import Controller
from gateway.plant.site import Site
from gateway.poll.plan import Request, plan
from gateway.poll.words import decode, encode
from tests.pulse import pulse

pytestmark = pytest.mark.slow

TIME = 1_780_272_000.0


@asynccontextmanager
async def served(site: Site) -> AsyncIterator[tuple[Plant, dict[str, Station]]]:
    plant = Plant(site, seed=1, time=TIME)
    async with AsyncExitStack() as stack:
        stations = {k: await stack.enter_async_context(station(plant, k)) for k in plant.links}
        yield plant, stations


@asynccontextmanager
async def connected(controller: Controller, timeout_s: float = 30.0) -> AsyncIterator[Reader]:
    client = AsyncModbusTcpClient(
        controller.host, port=controller.port, timeout=timeout_s, retries=0, reconnect_delay=0
    )
    try:
        assert await client.connect()
        yield Reader(client, controller.unit_id)
    finally:
        client.close()


class Reader:
    def __init__(self, client: AsyncModbusTcpClient, unit: int) -> None:
        self.client = client
        self._unit = unit

    async def read(self, table: str, address: int, count: int) -> ModbusPDU:
        if table == "input":
            return await self.client.read_input_registers(
                address, count=count, device_id=self._unit
            )
        return await self.client.read_holding_registers(address, count=count, device_id=self._unit)

    async def request(self, request: Request) -> dict[str, float]:
        reply = await self.read(request.table, request.address, request.count)
        assert not reply.isError(), (request, reply)
        return {
            place.name: decode(
                place.point, reply.registers[place.offset : place.offset + place.point.registers]
            )
            for place in request.points
        }


async def test_every_point_reads_back_as_the_plant_has_it(on_free_ports: Site) -> None:
    async with served(on_free_ports) as (plant, stations):
        for key, controller in on_free_ports.controllers.items():
            found: dict[str, float] = {}
            async with connected(controller) as reader:
                for request in plan(controller):
                    found |= await reader.request(request)
            names = zip(controller.points.items(), plant.values(key), strict=True)
            for (name, point), value in names:
                expected = decode(point, encode(point, storable(point, value)))
                assert found[name] == pytest.approx(expected, abs=1e-9), f"{key}.{name}"
            assert set(stations[key].asked) <= {3, 4}


async def test_values_follow_the_plant(on_free_ports: Site) -> None:
    controller = on_free_ports.controllers["sf-2"]
    async with served(on_free_ports) as (plant, _), connected(controller) as reader:
        request = next(r for r in plan(controller) if r.table == "input" and r.address == 10)
        before = await reader.request(request)
        plant.step(5.0)
        assert await reader.request(request) != before


async def test_a_second_client_library_reads_the_same(on_free_ports: Site) -> None:
    def ask(controller: Controller) -> list[list[int] | None]:
        client = ModbusClient(
            host=controller.host, port=controller.port, unit_id=controller.unit_id, timeout=30.0
        )
        reads = {"input": client.read_input_registers, "holding": client.read_holding_registers}
        try:
            return [reads[r.table](r.address, r.count) for r in plan(controller)]
        finally:
            client.close()

    async with served(on_free_ports):
        for controller in on_free_ports.controllers.values():
            other = await asyncio.to_thread(ask, controller)
            async with connected(controller) as reader:
                for request, seen in zip(plan(controller), other, strict=True):
                    reply = await reader.read(request.table, request.address, request.count)
                    assert seen == reply.registers


async def test_what_must_not_be_read_is_refused(on_free_ports: Site) -> None:
    async with served(on_free_ports):
        async with connected(on_free_ports.controllers["ahu-1"]) as reader:
            assert (await reader.read("holding", 121, 1)).isError()
            assert (await reader.read("holding", 118, 13)).isError()
            assert not (await reader.read("holding", 100, 21)).isError()
        async with connected(on_free_ports.controllers["ef-4"]) as reader:
            assert (await reader.read("holding", 23, 1)).isError()
            assert (await reader.read("input", 305, 2)).isError()


async def test_writes_are_refused_and_counted(on_free_ports: Site) -> None:
    controller = on_free_ports.controllers["sf-2"]
    async with served(on_free_ports) as (plant, stations), connected(controller) as reader:
        reply = await reader.client.write_register(46, 900, device_id=controller.unit_id)
        assert reply.isError()
        assert stations["sf-2"].asked[6] == 1
        assert plant.loops["stair-b"].drive.setpoint == 50.0
        reply = await reader.read("holding", 46, 1)
        assert reply.registers == [500]


async def test_link_faults_on_the_wire(on_free_ports: Site) -> None:
    controller = on_free_ports.controllers["sf-2"]
    async with served(on_free_ports) as (plant, _):
        plant.switch("bad-reply", "sf-2", on=True)
        async with connected(controller) as reader:
            reply = await reader.read("input", 10, 2)
            assert reply.isError()
            assert reply.exception_code == 4
        plant.switch("bad-reply", "sf-2", on=False)
        plant.switch("slow-answers", "sf-2", 0.15, on=True)
        loop = asyncio.get_running_loop()
        started = loop.time()
        with pulse() as passed:
            async with connected(controller) as reader:
                assert not (await reader.read("input", 10, 2)).isError()
            assert loop.time() - started >= 0.15
            assert passed() < 0.9
        plant.switch("slow-answers", "sf-2", on=False)
        plant.switch("stale-data", "sf-2", on=True)
        async with connected(controller) as reader:
            before = (await reader.read("holding", 40, 11)).registers
            plant.step(5.0)
            assert (await reader.read("holding", 40, 11)).registers == before
            plant.switch("stale-data", "sf-2", on=False)
            assert (await reader.read("holding", 40, 11)).registers != before


async def test_a_silent_controller_sends_nothing(on_free_ports: Site) -> None:
    controller = on_free_ports.controllers["sf-2"]
    async with served(on_free_ports) as (plant, _):
        plant.switch("no-communication", "sf-2", on=True)
        reader, writer = await asyncio.open_connection(controller.host, controller.port)
        try:
            writer.write(bytes.fromhex("000100000006 01 04 000a 0002"))
            with pytest.raises(TimeoutError):
                await asyncio.wait_for(reader.read(1), 0.2)
            plant.switch("no-communication", "sf-2", on=False)
            writer.write(bytes.fromhex("000200000006 01 04 000a 0002"))
            answer = await asyncio.wait_for(reader.read(64), 30.0)
            assert answer[:2] == b"\x00\x02"
        finally:
            writer.close()
            await writer.wait_closed()


async def test_a_held_back_answer_does_not_hold_up_the_end(on_free_ports: Site) -> None:
    controller = on_free_ports.controllers["sf-2"]
    with pulse() as passed:
        async with served(on_free_ports) as (plant, _):
            plant.switch("slow-answers", "sf-2", 30.0, on=True)
            reader, writer = await asyncio.open_connection(controller.host, controller.port)
            writer.write(bytes.fromhex("000100000006 01 04 000a 0002"))
            await asyncio.sleep(0.05)
            started = passed()
        writer.close()
        await writer.wait_closed()
        await asyncio.sleep(0.05)
        assert passed() - started < 1.0
    assert asyncio.all_tasks() == {asyncio.current_task()}
    del reader


async def test_a_port_in_use_is_one_clear_error(on_free_ports: Site) -> None:
    async with served(on_free_ports) as (plant, _):
        port = on_free_ports.controllers["ahu-1"].port
        with pytest.raises(StartError, match=rf"controllers\.ahu-1.*{port}"):
            async with station(plant, "ahu-1"):
                pass


def test_readable_runs_follow_the_map(archive: Site) -> None:
    sf, plc, converter = archive.controllers.values()
    assert readable(sf, "input") == [(0, 1), (10, 12)]
    assert readable(sf, "holding") == [(1, 2), (40, 52)]
    assert readable(plc, "holding") == [(100, 121), (130, 132)]
    assert readable(plc, "input") == []
    assert readable(converter, "input") == [(5, 8), (300, 306)]
    assert readable(converter, "holding") == [(20, 23), (24, 26), (28, 29), (30, 32), (40, 44)]
