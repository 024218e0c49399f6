"""The overview of the interface: order, pages, search, and how much it sends."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import httpx
import pytest

from gateway.diagnose.findings import Finding, Status
from gateway.measure.quality import Reason
from gateway.plant.site import Site
from gateway.web.app import make_app

from .archive import START, archive, mismatch, open_circuit
from .feeder import Feeder
from .large import large

pytestmark = pytest.mark.slow

MANY = 1000
MOST_BYTES = 60_000
"""For a page of thirty rows, whatever the size of the site."""


def at_loop(loop: str, status: Status) -> Finding:
    return replace(mismatch(START - 60, loop), status=status)


@asynccontextmanager
async def asking(site: Site, findings: list[Finding]) -> AsyncIterator[httpx.AsyncClient]:
    """A client of an app that shows one row."""
    feeder = Feeder(site, clock=lambda: START + 0.5)
    feeder.findings = findings
    feeder.row(START)
    app = make_app(feeder.live, feeder.past(), clock=lambda: START + 0.5)
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
        yield client


async def got(client: httpx.AsyncClient, query: str = "") -> Any:
    answer = await client.get(f"/api/v1/overview{query}")
    assert answer.status_code == 200, answer.text
    return answer.json()


def ids(view: Any) -> list[str]:
    return [row["id"] for row in view["rows"]]


async def test_what_needs_a_person_comes_first_whatever_the_page() -> None:
    findings = [
        at_loop("loop-0700", Status.MAINTENANCE_REQUIRED),
        at_loop("loop-0800", Status.FAILURE),
        at_loop("loop-0900", Status.OUT_OF_SPECIFICATION),
        at_loop("loop-0300", Status.OUT_OF_SPECIFICATION),
        at_loop("loop-0100", Status.FUNCTION_CHECK),
    ]
    async with asking(large(MANY, spare=2), findings) as client:
        first = await got(client)
        assert ids(first)[:6] == [
            "loop-0800", "loop-0300", "loop-0900", "loop-0700", "loop-0100", "loop-0001",
        ]  # fmt: skip
        assert first["counts"] == {
            "failure": 1, "out of specification": 2, "maintenance required": 1,
            "function check": 1, "good": MANY + 2 - 5,
        }  # fmt: skip
        assert (first["total"], first["loops"], first["matched"]) == (MANY + 2, MANY, MANY + 2)
        assert (first["page"], first["pages"], len(first["rows"])) == (1, 34, 30)
        last = await got(client, "?page=34")
        assert ids(last)[-3:] == ["loop-1000", "dp-2001", "dp-2002"]
        assert [row["kind"] for row in last["rows"][-2:]] == ["transducer", "transducer"]
        beyond = await got(client, "?page=999")
        assert (beyond["page"], ids(beyond)) == (34, ids(last))
        every = [
            key for page in range(1, 12) for key in ids(await got(client, f"?size=100&page={page}"))
        ]
        assert len(every) == len(set(every)) == MANY + 2


async def test_a_page_is_small_on_a_large_site() -> None:
    async with asking(large(MANY), [at_loop("loop-0800", Status.FAILURE)]) as client:
        page = await client.get("/api/v1/overview")
        whole = await client.get("/api/v1/state")
    assert len(page.content) < MOST_BYTES < len(whole.content) / 10


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("?text=STAIR b", ["stair-b"]),
        ("?text=dp-302", ["ahu-1-supply"]),
        ("?text=fan inlet", ["exhaust-plenum"]),
        ("?text=ef-4", ["exhaust-plenum"]),
        ("?text= plenum ", ["exhaust-plenum"]),
        ("?text=nowhere", []),
        ("?status=failure", ["exhaust-plenum"]),
        ("?status=good&text=s", ["ahu-1-supply"]),
        ("?text=[a-z]%25_*", []),
    ],
)
async def test_searched_by_name_place_and_status(query: str, found: list[str]) -> None:
    async with asking(archive(), [mismatch(START), open_circuit(START)]) as client:
        view = await got(client, query)
    assert ids(view) == found
    assert (view["matched"], view["total"], view["pages"]) == (len(found), 3, 1)


async def test_a_row_says_what_is_wrong_and_where() -> None:
    other = replace(
        open_circuit(START - 300), fault="excess-noise", status=Status.MAINTENANCE_REQUIRED
    )
    async with asking(archive(), [other, open_circuit(START)]) as client:
        row = (await got(client))["rows"][0]
    assert (row["id"], row["status"], row["findings"]) == ("exhaust-plenum", "failure", 2)
    assert row["finding"]["fault"] == "open-circuit"
    assert row["finding"]["transducer"] == "dp-402"
    assert row["where"] == "Exhaust plenum, middle"
    assert row["scale"] == [-500, 0]
    assert row["span"] == 500
    assert (row["limit_low"], row["limit_high"], row["setpoint"]) == (-280, -140, -220)
    assert [one["id"] for one in row["inputs"]] == ["dp-401", "dp-402", "dp-403"]
    assert sum(one["drives"] for one in row["inputs"]) == 1


async def test_inputs_are_in_the_unit_of_the_row() -> None:
    site = archive()
    duct = site.loops["ahu-1-supply"].model_copy(update={"unit": "Pa"})
    async with asking(archive(loops={**site.loops, "ahu-1-supply": duct}), []) as client:
        row = (await got(client, "?text=ahu"))["rows"][0]
    # 2 inH2O, conventional: NIST SP 811 (2008) B.8.
    assert row["unit"] == "Pa"
    assert row["span"] == pytest.approx(2 * 249.08891)
    assert [one["value"] for one in row["inputs"]] == pytest.approx([row["combined"]] * 2, rel=0.02)


async def test_a_transducer_alone_has_its_own_row() -> None:
    site = archive()
    loops = {k: v for k, v in site.loops.items() if k != "exhaust-plenum"}
    alone = replace(open_circuit(START), loops=())
    async with asking(archive(loops=loops), [alone]) as client:
        view = await got(client)
    row = view["rows"][0]
    assert (row["kind"], row["id"], row["name"]) == (
        "transducer",
        "dp-402",
        "Exhaust plenum, middle",
    )
    assert row["finding"]["fault"] == "open-circuit"
    assert row["inputs"] == []
    assert view["findings"] == []
    assert view["loops"] == 2


async def test_findings_of_no_row_are_told_apart() -> None:
    lost = replace(
        open_circuit(START), fault="no-communication", kind="controller", subject="sf-2",
        transducer=None, loops=(),
    )  # fmt: skip
    async with asking(archive(), [lost]) as client:
        view = await got(client)
    assert [f["subject"] for f in view["findings"]] == ["sf-2"]
    assert view["counts"]["good"] == 3


async def test_a_bad_value_without_a_finding_is_told_in_its_row() -> None:
    feeder = Feeder(archive(), clock=lambda: START + 0.5)
    feeder.reasons = {"dp-402": Reason.FAILURE_LOW}
    feeder.row(START)
    app = make_app(feeder.live, feeder.past(), clock=lambda: START + 0.5)
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
        view = await got(client)
        assert (view["rows"][2]["id"], view["rows"][2]["quality"]) == ("exhaust-plenum", "bad")
        assert view["rows"][2]["reason"] == "one of its transducers is not good"


async def test_before_the_first_row(client: httpx.AsyncClient) -> None:
    view = await got(client)
    assert (view["time"], view["rows"], view["total"], view["pages"]) == (None, [], 3, 1)


@pytest.mark.parametrize(
    ("query", "place"),
    [("?status=fine", "status"), ("?page=0", "page"), ("?size=101", "size"),
     (f"?text={'x' * 121}", "text"), ("?sort=name", "sort")],
)  # fmt: skip
async def test_what_cannot_be_asked_is_told(
    client: httpx.AsyncClient, query: str, place: str
) -> None:
    for path in ("/api/v1/overview", "/api/v1/stream/overview"):
        answer = await client.get(path + query)
        assert answer.status_code == 422
        assert answer.json()["faults"][0]["path"] == f"query.{place}"


async def test_a_pressure_beyond_its_limit_needs_a_person_though_nothing_is_found() -> None:
    feeder = Feeder(archive(), clock=lambda: START + 40.5)
    feeder.broken = {"dp-201", "dp-202"}  # both read the same: nothing contradicts them
    app = make_app(feeder.live, feeder.past(), clock=lambda: START + 40.5)
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
        feeder.row(START)
        assert (await got(client))["counts"]["good"] == 3
        for second in range(1, 41):
            feeder.row(START + second)
        view = await got(client)
        first = view["rows"][0]
        assert (first["id"], first["status"]) == ("stair-b", "out of specification")
        assert (first["findings"], view["counts"]["out of specification"]) == (0, 1)
        assert first["limit"] == "Pressure below 25 Pa"
        feeder.broken = set()
        for second in range(41, 90):
            feeder.row(START + second)
        view = await got(client)
        assert view["counts"]["good"] == 3
        assert {row["limit"] for row in view["rows"]} == {""}
