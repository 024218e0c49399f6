"""Exports over HTTP: what they say, and that they end when the reader leaves."""

from __future__ import annotations

import asyncio
import csv
import os
import signal
import time
from collections.abc import AsyncIterator, Iterator
from io import BytesIO, StringIO
from pathlib import Path

import httpx
import pytest
from pyarrow import parquet

from gateway.export.archive import Archive
from gateway.export.job import Job
from gateway.export.order import ordered
from gateway.live import Live
from gateway.record.retention import Keep, prune
from gateway.record.store import open_store
from gateway.settings import Settings
from gateway.web.serve import serve
from tests.export.bulk import bulk
from tests.pulse import pulse
from tests.record.made import START, plant, rows

pytestmark = [pytest.mark.slow, pytest.mark.server]

COUNT = 300_000
"""So long that an export takes seconds."""
SHORT = {"from": "2026-05-28T20:30:00", "to": "2026-05-28T20:30:20Z"}


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return bulk(tmp_path_factory.mktemp("web"), plant(third=True), COUNT)


@pytest.fixture
async def client(store: Path) -> AsyncIterator[httpx.AsyncClient]:
    opened: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    live = Live(plant(third=True))
    settings = Settings(http_port=0, http_actions=False, _env_file=None)
    task = asyncio.create_task(serve(live, store, settings, opened.set_result), name="web")
    async with httpx.AsyncClient(base_url=await opened, timeout=100) as speaking:
        yield speaking
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


def workers() -> list[int]:
    """Processes below this one that export."""
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        try:
            words = (place / "cmdline").read_bytes().split(b"\0")
            parent = int((place / "stat").read_text().rpartition(")")[2].split()[1])
        except (OSError, IndexError, ValueError):
            continue
        if b"gateway.export" in words and parent == os.getpid():
            found.append(int(place.name))
    return found


async def test_rows_as_csv_and_what_describes_them(client: httpx.AsyncClient) -> None:
    asked = {"loop": "lobby", "rows": "readings", "transducer": "", **SHORT}
    reply = await client.get("/api/v1/export", params=asked)
    assert reply.status_code == 200
    assert reply.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    assert "content-encoding" not in reply.headers
    named = reply.headers["content-disposition"]
    assert named.startswith('attachment; filename="test-readings-2')
    assert named.endswith('Z.csv"')
    (head, *body) = csv.reader(StringIO(reply.text))
    assert (len(body), head[1]) == (20, "p3 [Pa]")
    assert body[0][0] == "2026-05-28T20:30:00.000Z"
    link = reply.headers["link"]
    assert link.endswith('>; rel="describedby"; type="application/csvm+json"')
    about = await client.get(f"/api/v1/{link[1:].partition('>')[0]}")
    assert about.headers["content-type"] == "application/csvm+json"
    columns = about.json()["tableSchema"]["columns"]
    assert [column["titles"] for column in columns] == head
    again = await client.get(about.url.join(about.json()["url"]))
    assert again.text == reply.text


async def test_rows_as_parquet(client: httpx.AsyncClient) -> None:
    reply = await client.get("/api/v1/export", params={"format": "parquet", **SHORT})
    assert reply.headers["content-type"] == "application/vnd.apache.parquet"
    table = parquet.read_table(BytesIO(reply.content))
    assert table.num_rows == 20
    assert b"loopwitness" in table.schema.metadata


@pytest.mark.parametrize(
    ("asked", "status", "fault"),
    [
        ("rows=days", 422, ("query.rows", '"days"', "readings, scans, minutes, hours, journal")),
        ("loop=lobbi", 404, ("query.loop", '"lobbi"', "a loop of the site")),
        ("transducer=p9", 404, ("query.transducer", '"p9"', "a transducer of the site")),
        ("from=soon", 422, ("query.from", '"soon"', "ISO 8601 or seconds since 1970, UTC")),
        ("from=9&to=8", 422, ("query.from", "9 with query.to 8", "a time before the other")),
        ("format=xlsx", 422, ("query.format", "'xlsx'", "'csv' or 'parquet'")),
    ],
)
async def test_what_cannot_be_is_named(
    client: httpx.AsyncClient, asked: str, status: int, fault: tuple[str, str, str]
) -> None:
    for path in ("export", "export/metadata"):
        reply = await client.get(f"/api/v1/{path}?{asked}")
        assert reply.status_code == status
        (said,) = reply.json()["faults"]
        assert (said["path"], said["value"]) == fault[:2]
        assert said["allowed"].startswith(fault[2])


async def until_none(seconds: float) -> float:
    begun = time.monotonic()
    while workers():
        assert time.monotonic() - begun < seconds
        await asyncio.sleep(0.05)
    return time.monotonic() - begun


async def test_a_reader_that_leaves_ends_the_work(client: httpx.AsyncClient) -> None:
    async with client.stream("GET", "/api/v1/export") as reply:
        async for chunk in reply.aiter_bytes():
            assert chunk
            break
        assert len(workers()) == 1
    await until_none(60.0)


async def test_a_reader_that_does_not_read_holds_up_the_work_and_no_more(
    client: httpx.AsyncClient, store: Path
) -> None:
    """What is made waits in pipes and sockets, not in memory; leaving ends it."""
    reader, writer = await asyncio.open_connection("127.0.0.1", client.base_url.port)
    writer.write(b"GET /api/v1/export HTTP/1.1\r\nHost: x\r\n\r\n")
    assert (await reader.readexactly(12)).endswith(b"200")
    assert (await client.get("/api/v1/links")).status_code == 200
    async with asyncio.timeout(60):
        while not await waits():
            pass
    assert size(store) > 50e6, "more than pipes and sockets hold"
    writer.transport.abort()
    await until_none(60.0)


async def waits() -> bool:
    """Whether the one process below this one did next to nothing for a second."""
    (worker,) = workers()
    before = cpu_s(worker)
    await asyncio.sleep(1.0)
    return cpu_s(worker) - before < 0.2 and sleeps(worker)


def size(file: Path) -> int:
    return file.stat().st_size


def cpu_s(process: int) -> float:
    words = stat(process)
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def sleeps(process: int) -> bool:
    """Not merely kept from running by a busy machine."""
    return stat(process)[0] == "S"


def stat(process: int) -> list[str]:
    return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()


async def test_more_at_a_time_are_refused(client: httpx.AsyncClient) -> None:
    async with client.stream("GET", "/api/v1/export"), client.stream("GET", "/api/v1/export"):
        reply = await client.get("/api/v1/export")
        assert reply.status_code == 503
        assert reply.json()["faults"][0]["value"] == "2 exports already"
    await until_none(60.0)
    # The gateway hears of their end a moment after they are gone.
    async with asyncio.timeout(60):
        while (reply := await client.get("/api/v1/export", params=SHORT)).status_code == 503:
            pass
    assert reply.status_code == 200


async def test_the_gateway_stops_with_an_export_under_way(store: Path) -> None:
    opened: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    settings = Settings(http_port=0, http_actions=False, _env_file=None)
    live = Live(plant(third=True))
    task = asyncio.create_task(serve(live, store, settings, opened.set_result), name="web")
    async with (
        httpx.AsyncClient(base_url=await opened, timeout=100) as client,
        client.stream("GET", "/api/v1/export"),
    ):
        with pulse() as passed:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            assert passed() < 6
    assert workers() == []


@pytest.fixture
def spoiled(store: Path) -> Iterator[Path]:
    """A history file that is none."""
    other = store.with_name("spoiled.sqlite3")
    other.write_bytes(b"no database, but long enough to be looked at " * 100)
    yield other
    other.unlink()


async def test_a_file_that_cannot_be_read(spoiled: Path) -> None:
    opened: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    settings = Settings(http_port=0, http_actions=False, _env_file=None)
    task = asyncio.create_task(
        serve(Live(plant(third=True)), spoiled, settings, opened.set_result), name="web"
    )
    async with httpx.AsyncClient(base_url=await opened, timeout=100) as client:
        reply = await client.get("/api/v1/export", params={"rows": "minutes", "format": "parquet"})
        assert reply.status_code == 503
        (said,) = reply.json()["faults"]
        assert said["value"] == f"{spoiled}: file is not a database"
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert workers() == []


async def test_archived_days_come_with_the_others(tmp_path: Path) -> None:
    here, opened = plant(third=True), asyncio.get_running_loop().create_future()
    with open_store(tmp_path, here) as kept:
        kept.write([rows(here, 432, step=600.0)])
        archive = Archive(kept.file, here)
        gone = await prune(kept, Keep(1.0, 9.0, 99.0), START + 3 * 86_400, archive)
        settings = Settings(http_port=0, http_actions=False, _env_file=None)
        task = asyncio.create_task(serve(Live(here), kept.file, settings, opened.set_result))
        async with httpx.AsyncClient(base_url=await opened, timeout=100) as client:
            reply = await client.get("/api/v1/export", params={"rows": "scans"})
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    found = list(csv.DictReader(StringIO(reply.text)))
    assert 0 < gone < 432
    assert [float(row["time"]) for row in found] == [START + 600 * k for k in range(432)]


async def test_an_answer_that_breaks_off_does_not_look_whole(
    client: httpx.AsyncClient,
) -> None:
    async with client.stream("GET", "/api/v1/export") as reply:
        (worker,) = workers()
        os.kill(worker, signal.SIGKILL)
        with pytest.raises(httpx.RemoteProtocolError, match="incomplete"):
            async for _ in reply.aiter_bytes():
                pass


async def test_the_page_has_a_form_that_works_by_itself(client: httpx.AsyncClient) -> None:
    page = await client.get("/export")
    assert page.status_code == 200
    for part in ('action="/api/v1/export"', 'name="rows"', '<option value="lobby">lobby</option>',
                 'name="from"', 'name="to"', '<option value="parquet">'):  # fmt: skip
        assert part in page.text
    blank = await client.get("/api/v1/export?rows=hours&loop=&from=&to=&format=csv")
    assert blank.status_code == 200
    assert blank.text.startswith("time,p1 count,")


def test_the_order_survives_its_way_into_the_other_process() -> None:
    site = plant(third=True)
    order = ordered(site, "scans", loops=["stair"], start=str(START))
    job = Job(site=site, order=order, store=Path("x"), parquet=True)
    assert Job.model_validate_json(job.model_dump_json()) == job
