"""People of a running gateway: added on the command line, signed in, acting, removed."""

from __future__ import annotations

import asyncio
import os
import sys
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.settings import Settings
from tests.whole.program import archive, entries, gateway, plant, until

pytestmark = [pytest.mark.server, pytest.mark.slow, pytest.mark.timeout(600)]

PASSWORD = "a tube fell off at noon"  # noqa: S105 - of this test alone
TESS = "Tess Example"


async def user(folder: Path, *words: str, typed: str = "") -> str:
    """`loopwitness user ...` beside the running gateway; what it says."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "gateway", "user", *words,
        env={**os.environ, "LOOPWITNESS_STATE_DIR": str(folder / "state")},
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )  # fmt: skip
    out, _ = await process.communicate(typed.encode())
    assert process.returncode == 0, out.decode()
    return out.decode()


class Browser:
    """What a page does: it signs in, and sends the token of its session along."""

    def __init__(self, client: httpx.AsyncClient) -> None:
        self.client = client
        self.headers = {"Origin": str(client.base_url).rstrip("/")}

    async def sign_in(self, name: str) -> int:
        body = {"name": name, "password": PASSWORD}
        answer = await self.post("session/begin", **body)
        if answer.status_code == 200:
            self.headers["X-CSRF-Token"] = answer.json()["csrf"]
        return answer.status_code

    async def post(self, path: str, **body: Any) -> httpx.Response:
        return await self.client.post(f"/api/v1/{path}", json=body, headers=self.headers)


async def test_from_the_command_line_to_the_journal(tmp_path: Path) -> None:
    settings = Settings(state_dir=tmp_path / "state", http_port=0)
    site = archive()
    async with plant(site), gateway(site, settings) as client:
        page = Browser(client)
        assert await page.sign_in(TESS) == 401, "nobody is known"
        said = await user(tmp_path, "add", TESS, "--role", "technician", typed=PASSWORD)
        assert said == f"{TESS}: technician\n"
        assert await page.sign_in(TESS.upper()) == 200, "at once"
        out = await page.post(
            "transducers/dp-201/out-of-service", reason="tube replaced", minutes=5
        )
        assert out.status_code == 200, out.text
        assert out.json()[0]["actor"] == TESS
        learn = await page.post("loops/stair-b/relearn", reason="tube replaced")
        assert learn.json() == {"loop": "stair-b", "reason": "tube replaced", "person": TESS}

        async def unlearnt() -> bool:
            return bool(entries(tmp_path, "relearn"))

        await until(90, "the loop is learnt anew", unlearnt)
        await user(tmp_path, "role", TESS, "operator")
        back = await page.post("transducers/dp-201/back-in-service")
        assert back.status_code == 401, "another role: signed out"
        assert await page.sign_in(TESS) == 200
        assert (await page.post("transducers/dp-201/back-in-service")).status_code == 403
        await user(tmp_path, "remove", TESS)
        assert (await page.post("transducers/dp-201/back-in-service")).status_code == 401
        assert await page.sign_in(TESS) == 401

        async def told() -> bool:
            # They get there on ways of their own, in any order.
            door = len(entries(tmp_path, "sign-in"))
            return (len(entries(tmp_path, "people")), door) == (3, 6)

        await until(90, "changes of people, and who came and went, are in the journal", told)
        door = entries(tmp_path, "sign-in")
    assert [(subject, phase) for _, subject, phase, *_ in entries(tmp_path, "people")] == [
        (TESS, "added"), (TESS, "role"), (TESS, "removed"),
    ]  # fmt: skip
    assert [(phase, actor, subject) for _, subject, phase, actor, _ in door] == [
        ("sign-in refused", "gateway", ""),
        ("signed in", TESS, TESS), ("signed out", TESS, TESS),
        ("signed in", TESS, TESS), ("signed out", TESS, TESS),
        ("sign-in refused", "gateway", ""),
    ]  # fmt: skip
    reasons = {reason for *_, phase, _, reason in door if phase == "signed out"}
    assert reasons == {"role or password changed, or removed"}
    assert entries(tmp_path, "relearn") == [("", "stair-b", "", TESS, "tube replaced")]
    deeds = [e for e in entries(tmp_path, "alarm") if e[2] == "remove from service"]
    assert {actor for *_, actor, _ in deeds} == {TESS}
    kept = b"".join(f.read_bytes() for f in (tmp_path / "state").rglob("*") if f.is_file())
    assert PASSWORD.encode() not in kept


async def test_a_new_start_signs_everybody_out_and_keeps_the_people(tmp_path: Path) -> None:
    settings = Settings(state_dir=tmp_path / "state", http_port=0, http_viewing="signed-in")
    site = archive()
    await user(tmp_path, "add", TESS, "--role", "viewer", typed=PASSWORD)
    async with plant(site):
        async with gateway(site, settings) as client:
            assert (await client.get("/api/v1/loops")).status_code == 401
            assert await Browser(client).sign_in(TESS) == 200

            async def shown() -> bool:
                answer = await client.get("/api/v1/loops")
                assert answer.status_code in (200, 503), "503 until the first row is there"
                return answer.status_code == 200

            await until(90, "the loops", shown)
            cookies = client.cookies
        async with gateway(site, settings) as client:
            client.cookies = cookies
            assert (await client.get("/api/v1/loops")).status_code == 401
            assert await Browser(client).sign_in(TESS) == 200
