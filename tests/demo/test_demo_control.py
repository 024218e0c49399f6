"""The running plant: its page, its interface, its clock, and its end."""

from __future__ import annotations

import asyncio
import socket
import time
from collections.abc import AsyncIterator

import httpx
import pytest
from pymodbus.client import AsyncModbusTcpClient

from gateway.demo.control import demo_site_path, run_plant
from gateway.demo.faults import possible
from gateway.demo.plant import Plant
from gateway.demo.switchboard import application
from gateway.errors import StartError
from gateway.plant.site import Site, SiteInfo

pytestmark = pytest.mark.slow

TIME = 1_780_272_000.0


@pytest.fixture
def plant(archive: Site) -> Plant:
    return Plant(archive, seed=1, time=TIME)


@pytest.fixture
async def page(plant: Plant) -> AsyncIterator[httpx.AsyncClient]:
    through = httpx.ASGITransport(application(plant))
    async with httpx.AsyncClient(transport=through, base_url="http://127.0.0.1") as client:
        yield client


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as one:
        return int(one.getsockname()[1])


async def test_lists_every_fault_of_every_subject(page: httpx.AsyncClient, archive: Site) -> None:
    listed = (await page.get("/faults")).json()["faults"]
    subjects = [*archive.transducers, *archive.loops, *archive.controllers]
    expected = [(s, k.kind) for s in subjects for k in possible(archive, s)]
    assert [(one["subject"], one["kind"]) for one in listed] == expected
    assert not any(one["on"] for one in listed)


async def test_switches_on_with_a_size_and_off_again(page: httpx.AsyncClient, plant: Plant) -> None:
    wanted = {"kind": "liquid-in-tube", "subject": "dp-201", "size": 25.0, "on": True}
    answer = await page.post("/faults", json=wanted)
    assert answer.status_code == 200
    assert answer.json()["on"] is True
    assert answer.json()["size"] == 25.0
    assert [(f.kind, f.subject, f.size) for f in plant.faults] == [
        ("liquid-in-tube", "dp-201", 25.0)
    ]
    answer = await page.post("/faults", json=wanted | {"on": False})
    assert answer.json()["on"] is False
    assert plant.faults == ()


async def test_repairs_everything(page: httpx.AsyncClient, plant: Plant) -> None:
    for kind, subject in (("tube-off", "dp-201"), ("hunting", "stair-b"), ("bad-reply", "sf-2")):
        await page.post("/faults", json={"kind": kind, "subject": subject, "on": True})
    assert sorted(f.subject for f in plant.faults) == ["dp-201", "sf-2", "stair-b"]
    answer = await page.delete("/faults")
    assert not any(one["on"] for one in answer.json()["faults"])
    assert plant.faults == ()


@pytest.mark.parametrize(
    "wanted",
    [
        {"kind": "tube-off", "subject": "dp-999", "on": True},
        {"kind": "no-such", "subject": "dp-201", "on": True},
        {"kind": "zero-shift", "subject": "dp-201", "size": 1e9, "on": True},
        {"kind": "zero-shift", "subject": "dp-201", "size": "NaN", "on": True},
        {"kind": "tube-off", "subject": "dp-201"},
        {"kind": "tube-off", "subject": "dp-201", "on": True, "more": 1},
    ],
)
async def test_refuses_what_cannot_be(
    page: httpx.AsyncClient, plant: Plant, wanted: dict[str, object]
) -> None:
    answer = await page.post("/faults", json=wanted)
    assert answer.status_code == 422
    assert answer.json()["detail"]
    assert plant.faults == ()


async def test_a_foreign_page_cannot_break_anything(page: httpx.AsyncClient, plant: Plant) -> None:
    text = '{"kind": "tube-off", "subject": "dp-201", "on": true}'
    # A form on another page can only send text; and it must call us by our own name.
    simple = await page.post("/faults", content=text, headers={"content-type": "text/plain"})
    assert simple.status_code == 422
    foreign = await page.get("/", headers={"host": "elsewhere.example"})
    assert foreign.status_code == 400
    assert plant.faults == ()


async def test_the_page_shows_switches_and_loads_nothing_from_elsewhere(
    page: httpx.AsyncClient, plant: Plant
) -> None:
    plant.switch("tube-off", "dp-201", on=True)
    answer = await page.get("/")
    assert answer.status_code == 200
    assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert "http://" not in answer.text
    assert "https://" not in answer.text
    switches = answer.text.partition("</style>")[2].partition("<script")[0]
    assert switches.count('aria-pressed="true"') == 1
    assert 'data-kind="tube-off" data-subject="dp-201"' in switches
    assert "width=device-width" in answer.text


async def test_names_from_the_site_file_are_escaped(archive: Site) -> None:
    evil = SiteInfo(id="x", name="<script>alert(1)</script>")
    site = archive.model_copy(update={"site": evil})
    through = httpx.ASGITransport(application(Plant(site, seed=1, time=TIME)))
    async with httpx.AsyncClient(transport=through, base_url="http://127.0.0.1") as client:
        text = (await client.get("/")).text
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert" in text


async def test_runs_until_cancelled_and_leaves_nothing_behind(on_free_ports: Site) -> None:
    port, ready = free_port(), asyncio.Event()
    running = asyncio.create_task(
        run_plant(on_free_ports, seed=1, http_port=port, speed=20.0, ready=ready)
    )
    await asyncio.wait_for(ready.wait(), 60.0)
    drive = on_free_ports.controllers["sf-2"]
    client = AsyncModbusTcpClient(drive.host, port=drive.port, timeout=30, retries=0)
    assert await client.connect()
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{port}", timeout=60) as http:
        begun = time.monotonic()
        first = (await client.read_input_registers(0, count=1, device_id=1)).registers[0]
        await asyncio.sleep(0.35)
        later = (await client.read_input_registers(0, count=1, device_id=1)).registers[0]
        # Twenty seconds of the plant in one, a beat in each, and some for what was behind before.
        assert 2 <= later - first <= 20 * (time.monotonic() - begun + 1)
        wanted = {"kind": "open-circuit", "subject": "dp-201", "on": True}
        assert (await http.post("/faults", json=wanted)).status_code == 200
        async with asyncio.timeout(60):  # until the next step of the plant
            while True:
                counts = (await client.read_input_registers(10, count=2, device_id=1)).registers
                if counts[0] < 10:
                    break
                await asyncio.sleep(0.02)
        assert counts[1] > 10
    running.cancel()
    with pytest.raises(asyncio.CancelledError):
        await running
    client.close()
    await asyncio.sleep(0.05)
    assert asyncio.all_tasks() == {asyncio.current_task()}
    for noun in on_free_ports.controllers.values():
        socket.create_server((noun.host, noun.port)).close()
    socket.create_server(("127.0.0.1", port)).close()


async def test_a_page_port_in_use_is_one_clear_error(on_free_ports: Site) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = int(taken.getsockname()[1])
        with pytest.raises(StartError, match=rf"demo page.*{port}"):
            await run_plant(on_free_ports, seed=1, http_port=port)
    # The controllers' ports are free again.
    for noun in on_free_ports.controllers.values():
        socket.create_server((noun.host, noun.port)).close()


async def test_a_controller_port_in_use_is_one_clear_error(on_free_ports: Site) -> None:
    noun = on_free_ports.controllers["ef-4"]
    with (
        socket.create_server((noun.host, noun.port)),
        pytest.raises(StartError, match=rf"controllers\.ef-4.*{noun.port}"),
    ):
        await run_plant(on_free_ports, seed=1, http_port=0)


@pytest.mark.parametrize("host", ["192.0.2.1", "0.0.0.0", "plc.example"])
async def test_only_loopback_is_served(archive: Site, host: str) -> None:
    away = archive.controllers["sf-2"].model_copy(update={"host": host})
    site = archive.model_copy(update={"controllers": {**archive.controllers, "sf-2": away}})
    with pytest.raises(StartError, match=host):
        await run_plant(site, seed=1, http_port=0)


def test_the_site_file_is_found() -> None:
    assert demo_site_path().is_file()
