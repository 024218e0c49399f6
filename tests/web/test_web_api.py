"""The HTTP interface: values, refusals, its own description, headers, the HTML."""

from __future__ import annotations

import cProfile
import pstats
from dataclasses import replace
from typing import Any

import httpx
import jsonschema
import pytest
from fastapi.openapi.models import OpenAPI

from gateway.diagnose.findings import Finding
from gateway.measure.quality import Reason
from gateway.record.journal import Search
from gateway.web.app import make_app, make_ready, revision
from gateway.web.now import feedback_tolerances
from gateway.web.past import Past

from .archive import START, archive, mismatch, open_circuit
from .feeder import Feeder
from .persons import TOKEN, door

pytestmark = pytest.mark.slow

HOLDER = {"Authorization": f"Bearer {TOKEN}"}
HOSTILE = '<script>alert("x")</script><img src=x onerror=alert(1)>"\'&'


async def got(client: httpx.AsyncClient, path: str, status: int = 200) -> Any:
    answer = await client.get(path)
    assert answer.status_code == status, answer.text
    return answer.json()


def client_of(feeder: Feeder, past: Past | None = None) -> httpx.AsyncClient:
    app = make_app(feeder.live, past or feeder.past(), clock=lambda: START + 0.5)
    return httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url="http://gateway")


async def test_loops_in_the_order_of_the_site_file(
    client: httpx.AsyncClient, feeder: Feeder
) -> None:
    feeder.row(START)
    loops = await got(client, "/api/v1/loops")
    assert [x["id"] for x in loops] == ["stair-b", "ahu-1-supply", "exhaust-plenum"]
    duct = loops[1]
    # 1 inH2O (conventional) = 249.08891 Pa: NIST SP 811 (2008) B.8.
    pascals = float(feeder.live.latest.readings.combined[0, 1]) if feeder.live.latest else 0.0
    assert duct["unit"] == "inH2O"
    assert duct["combined"] == pytest.approx(pascals / 249.08891, rel=1e-5)
    assert duct["driver"] in {"dp-301", "dp-302"}
    assert loops[0]["driver"] is None


@pytest.mark.parametrize(("off", "agrees"), [(0.0, True), (1.2, True), (1.3, False), (-1.3, False)])
async def test_feedback_agrees_within_a_hundredth_of_span(
    client: httpx.AsyncClient, feeder: Feeder, off: float, agrees: object
) -> None:
    # A float32 point has no step: 1 % of 125 Pa = 1.25 Pa (common practice, no source).
    feeder.row(START)
    assert feeder.live.latest is not None
    combined = float(feeder.live.latest.readings.combined[0, 0])
    feeder.feedback = {"stair-b": combined + off}
    feeder.row(START)
    loop = await got(client, "/api/v1/loops/stair-b")
    assert loop["feedback_tolerance"] == pytest.approx(1.25)
    assert loop["feedback_agrees"] is agrees


async def test_feedback_that_is_not_read_neither_agrees_nor_differs(
    client: httpx.AsyncClient, feeder: Feeder
) -> None:
    feeder.feedback = {"stair-b": float("nan")}
    feeder.row(START)
    loop = await got(client, "/api/v1/loops/stair-b")
    assert loop["feedback"] is None
    assert loop["feedback_agrees"] is None


def test_tolerance_grows_with_the_step_of_the_register() -> None:
    site = archive()
    points = dict(site.controllers["sf-2"].points)
    coarse = {"table": "holding", "address": 0, "type": "int16", "scale": 0.5, "unit": "Pa"}
    points["feedback"] = points["feedback"].model_validate(coarse)
    drive = site.controllers["sf-2"].model_copy(update={"points": points})
    site = archive(controllers={**site.controllers, "sf-2": drive})
    assert feedback_tolerances(site)["stair-b"] == pytest.approx(1.25 + 0.5)


async def test_a_bad_transducer_says_why(client: httpx.AsyncClient, feeder: Feeder) -> None:
    feeder.reasons = {"dp-402": Reason.FAILURE_LOW}
    feeder.findings = [open_circuit(START - 60)]
    feeder.row(START)
    bad = await got(client, "/api/v1/transducers/dp-402")
    assert (bad["quality"], bad["status"]) == ("bad", "failure")
    assert bad["reason"] == "signal below the measuring band: failure"
    loop = await got(client, "/api/v1/loops/exhaust-plenum")
    assert loop["quality"] == "bad"
    assert [f["fault"] for f in loop["findings"]] == ["open-circuit"]
    assert loop["findings"][0]["since"] == "2026-05-28T20:25:40.000Z"


async def test_before_the_first_row(client: httpx.AsyncClient) -> None:
    for path in ("loops", "loops/stair-b", "transducers", "findings"):
        refusal = await got(client, f"/api/v1/{path}", 503)
        assert refusal["faults"][0] == {
            "path": "rows",
            "value": "none yet",
            "allowed": "a later try, after the first poll",
        }
    assert [x["reason"] for x in await got(client, "/api/v1/links")] == ["not read yet"] * 3
    state = await got(client, "/api/v1/state")
    assert (state["time"], state["loops"]) == (None, [])


async def test_unknown_ids_name_the_known_ones(client: httpx.AsyncClient, feeder: Feeder) -> None:
    feeder.row(START)
    loop = await got(client, "/api/v1/loops/stair-c", 404)
    assert loop["faults"] == [
        {
            "path": "loops",
            "value": "'stair-c' is not known",
            "allowed": "stair-b, ahu-1-supply, exhaust-plenum",
        }
    ]
    transducer = await got(client, "/api/v1/transducers/x", 404)
    assert "dp-403" in transducer["faults"][0]["allowed"]
    series = await got(client, "/api/v1/history?series=loop/stair-b/mood", 404)
    # 7 transducers and 3 loops of 5 quantities are 22; 20 are named.
    assert series["faults"][0]["allowed"].endswith(" and 2 more")


@pytest.mark.parametrize(
    ("query", "path"),
    [
        ("history", "query.series"),
        ("history?series=transducer/dp-201&from=yesterday", "query.from"),
        ("history?series=transducer/dp-201&to=nan", "query.to"),
        ("history?series=transducer/dp-201&to=1e300", "query.to"),
        ("history?series=transducer/dp-201&from=-1", "query.from"),
        ("history?series=transducer/dp-201&from=200&to=100", "query.from"),
        ("history?series=transducer/dp-201&from=100&to=100", "query.from"),
        ("history?series=transducer/dp-201&buckets=0", "query.buckets"),
        ("history?series=transducer/dp-201&buckets=2001", "query.buckets"),
        ("findings?from=2026-13-01", "query.from"),
        ("findings?from=200&to=100", "query.from"),
        ("findings?from=1&limit=0", "query.limit"),
    ],
)
async def test_bad_ranges_name_place_and_what_is_allowed(
    client: httpx.AsyncClient, feeder: Feeder, query: str, path: str
) -> None:
    feeder.row(START)
    refusal = await got(client, f"/api/v1/{query}", 422)
    fault = refusal["faults"][0]
    assert fault["path"] == path
    assert fault["allowed"]


@pytest.mark.parametrize(
    ("query", "allowed"),
    [
        ("history?series=transducer/dp-201&buckets=0", "at least 1"),
        ("history?series=transducer/dp-201&buckets=2001", "at most 2000"),
        ("history?series=transducer/dp-201&buckets=many", "a whole number"),
        ("journal?moods=1", "nothing: it is no name known here"),
        ("history?series=transducer/dp-201&from=-1", "from 1970 to the year 9999"),
    ],
)
async def test_what_is_allowed_is_said_in_plain_words(
    client: httpx.AsyncClient, query: str, allowed: str
) -> None:
    refusal = await got(client, f"/api/v1/{query}", 422)
    assert refusal["faults"][0]["allowed"].endswith(allowed)


async def test_too_many_series(client: httpx.AsyncClient) -> None:
    query = "&".join(["series=transducer/dp-201"] * 25)
    refusal = await got(client, f"/api/v1/history?{query}", 422)
    assert refusal["faults"][0]["path"] == "query.series"


async def test_only_reading(client: httpx.AsyncClient, feeder: Feeder) -> None:
    feeder.row(START)
    refusal = await client.post("/api/v1/loops", json={})
    assert refusal.status_code == 405
    assert refusal.json()["faults"][0]["allowed"] == "GET"
    assert (await client.get("/api/v2")).json()["faults"][0]["path"] == "/api/v2"


async def test_findings_open_or_from_the_journal(feeder: Feeder) -> None:
    asked: list[tuple[Search, int]] = []

    def journal(wanted: Search, limit: int) -> list[Finding]:
        asked.append((wanted, limit))
        return [replace(mismatch(START), phase="cleared", time=START + 9)]

    feeder.findings = [open_circuit(START)]
    feeder.row(START)
    async with client_of(feeder, replace(feeder.past(), findings=journal)) as client:
        now = await got(client, "/api/v1/findings")
        none = await got(client, "/api/v1/findings?subject=dp-401")
        then = await got(
            client, "/api/v1/findings?from=2026-05-28T20:00:00Z&limit=7&subject=stair-b"
        )
    assert [f["fault"] for f in now] == ["open-circuit"]
    assert none == []
    assert [(f["fault"], f["phase"]) for f in then] == [("combination-mismatch", "cleared")]
    # 2026-05-28T20:26:40Z is 1 780 000 000 s since 1970 (date -u -d @1780000000).
    assert asked == [(Search(START - 1600.0, None, subject="stair-b"), 7)]


async def test_the_description_is_openapi_and_answers_keep_to_it(
    client: httpx.AsyncClient, feeder: Feeder
) -> None:
    feeder.findings = [open_circuit(START)]
    feeder.row(START)
    document = await got(client, "/api/v1/openapi.json")
    client.headers.update(HOLDER)  # who may sign in is not told everybody
    OpenAPI.model_validate(document)
    assert document["openapi"].startswith("3.1")
    tags = {tag["name"] for tag in document["tags"]}
    examples = {
        "loop_id": "stair-b", "transducer_id": "dp-201", "alarm_id": "open-circuit:dp-402",
    }  # fmt: skip
    for path, methods in document["paths"].items():
        if "get" not in methods:  # see test_web_acting.py
            continue
        described = methods["get"]
        if described["tags"] == ["loop checks"]:  # only on a running gateway
            assert described["description"], path
            continue
        assert list(methods) == ["get"]
        assert described["description"], path
        assert set(described["tags"]) <= tags, path
        content = described["responses"]["200"]["content"]
        if "application/json" not in content:
            continue
        query = "?series=transducer/dp-201&series=loop/stair-b/output" if "hist" in path else ""
        query = "?loop=stair-b" if "happenings" in path else query
        body = await got(client, path.format(**examples) + query)
        # JSON Schema 2020-12 is the schema dialect of OpenAPI 3.1.
        schema = {**content["application/json"]["schema"], "components": document["components"]}
        jsonschema.Draft202012Validator.check_schema(schema)
        jsonschema.validate(body, schema, jsonschema.Draft202012Validator)


async def test_refusals_keep_to_the_description(client: httpx.AsyncClient) -> None:
    document = await got(client, "/api/v1/openapi.json")
    for path, status in (("/api/v1/loops", "503"), ("/api/v1/history", "422")):
        content = document["paths"][path]["get"]["responses"][status]["content"]
        schema = {**content["application/json"]["schema"], "components": document["components"]}
        jsonschema.validate(await got(client, path, int(status)), schema)


async def test_security_headers_on_every_answer(feeder: Feeder) -> None:
    """Also on refusals, on what is too long, and on what fails in our own code."""
    feeder.row(START)
    app = make_app(feeder.live, feeder.past(), door=door(viewing=False), clock=lambda: START + 0.5)

    @app.get("/api/v1/session/broken")
    async def broken() -> None:
        raise RuntimeError

    free = "/api/v1/session"
    asked: list[tuple[str, str, int, dict[str, str]]] = [
        ("GET", "/static/page.css", 200, {}), ("GET", "/static/none.js", 404, {}),
        ("GET", "/sign-in", 200, {}), ("GET", "/healthz", 200, {}), ("GET", free, 200, {}),
        ("GET", "/", 303, {"Accept": "text/html"}), ("GET", "/api/v1/loops", 401, {}),
        ("GET", "/nowhere", 401, {}), ("GET", "/nowhere", 404, HOLDER),
        ("GET", "/api/v1/loops/x", 404, HOLDER), ("PUT", free, 405, {}),
        ("POST", f"{free}/begin", 413, {"Content-Length": "99999"}),
        ("GET", f"{free}/broken", 500, HOLDER),
    ]  # fmt: skip
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://gateway") as client:
        for method, path, status, headers in asked:
            answer = await client.request(method, path, headers=headers)
            assert answer.status_code == status, path
            policy = answer.headers["content-security-policy"]
            assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self'; ")
            for word in ("unsafe", "nonce", "*", "http", "data:"):
                assert word not in policy
            assert "frame-ancestors 'none'" in policy
            assert "require-trusted-types-for 'script'; trusted-types 'none'" in policy
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["referrer-policy"] == "no-referrer"
            assert answer.headers["cross-origin-opener-policy"] == "same-origin"
            assert "strict-transport-security" not in answer.headers
            kept = "no-cache" if path.startswith("/static/") else "no-store"
            assert answer.headers["cache-control"] == kept


async def test_hostile_names_are_text(feeder: Feeder) -> None:
    site = archive(HOSTILE)
    stair = site.loops["stair-b"].model_copy(update={"name": HOSTILE})
    dp = site.transducers["dp-201"].model_copy(update={"location": HOSTILE, "ports": HOSTILE})
    feeder = Feeder(
        archive(
            HOSTILE,
            loops={**site.loops, "stair-b": stair},
            transducers={**site.transducers, "dp-201": dp},
        )
    )
    async with client_of(feeder) as client:
        for path, times in (
            ("/", 3), ("/loops/stair-b", 5), ("/transducers/dp-201", 5), ("/findings", 3),
            ("/alarms", 3), ("/checks", 4), ("/export", 4), ("/system", 3),
        ):  # fmt: skip
            page = (await client.get(path)).text
            assert HOSTILE not in page
            assert "<img" not in page
            assert page.count("&lt;script&gt;alert") >= times
            # The page's own scripts are files; none stands in the page.
            assert page.count("<script") == page.count('<script src="/static/')


@pytest.mark.parametrize("path", ["/loops/stair-z", "/loops/<b>", "/loops"])
async def test_a_page_of_what_the_site_does_not_have(client: httpx.AsyncClient, path: str) -> None:
    answer = await client.get(path)
    assert answer.status_code == 404


def test_revision_follows_the_site_file() -> None:
    assert revision(archive()) == revision(archive())
    assert revision(archive()) != revision(archive("Harbour Street Annex"))


async def test_the_first_request_does_no_more_than_the_second(feeder: Feeder) -> None:
    """Routes were built with the first one, while nothing was polled; counted, not timed."""
    app = make_app(feeder.live, feeder.past(), clock=lambda: START + 0.5)
    make_ready(app)
    async with httpx.AsyncClient(
        transport=httpx.ASGITransport(app), base_url="http://gateway"
    ) as client:
        made = []
        for _ in range(2):
            with cProfile.Profile() as profile:
                await client.get("/no-such-page")
            made.append(pstats.Stats(profile).total_calls)  # type: ignore[attr-defined] # not in its stub
    assert made[0] < 3 * made[1], "calls of functions"


@pytest.mark.parametrize("path", ["/", "/healthz", "/metrics", "/alarms", "/no-such-page"])
async def test_head_answers_as_get(client: httpx.AsyncClient, feeder: Feeder, path: str) -> None:
    """RFC 9110, 9.3.2: the same header; the server leaves the body out."""
    feeder.row(START)
    head, whole = await client.head(path), await client.get(path)
    assert head.status_code == whole.status_code
    assert head.headers == whole.headers


async def test_head_begins_no_stream_and_no_export(client: httpx.AsyncClient) -> None:
    for path in ("/api/v1/stream", "/api/v1/export?rows=minutes", "/api/v1/loops"):
        assert (await client.head(path)).status_code == 405
