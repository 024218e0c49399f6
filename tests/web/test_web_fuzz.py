"""The interface against its own description, tried by schemathesis with what nobody would send."""

from __future__ import annotations

import asyncio
import re
import sys
import time
from pathlib import Path

import httpx
import pytest

from .archive import archive
from .feeder import Feeder, feeding, serving
from .persons import TOKEN

pytestmark = [pytest.mark.server, pytest.mark.slow]

SECONDS = 25
ENDLESS = "/stream"
ELSEWHERE = "/export|/checks|/calibrations"
"""Exports start processes, loop checks need a gateway that polls: both have tests of their own."""
UNTOLD = "positive_data_acceptance"
"""No schema tells that `from` is before `to`, or that there is no 31 February."""


async def test_answers_keep_to_the_description_whatever_is_asked(tmp_path: Path) -> None:
    feeder = Feeder(archive(), interval=0.5)
    feeder.row(time.time() - 2)
    feeder.trouble()
    async with feeding(feeder), serving(feeder) as address:
        program = await asyncio.create_subprocess_exec(
            str(Path(sys.executable).with_name("schemathesis")), "run",
            f"{address}api/v1/openapi.json", "--phases", "coverage,fuzzing",
            "--generation-deterministic", "--max-time", str(SECONDS), "--request-timeout", "60",
            "--exclude-path-regex", f"{ENDLESS}|{ELSEWHERE}", "--exclude-checks", UNTOLD,
            "-H", f"Authorization: Bearer {TOKEN}", "-H", f"Origin: {address.rstrip('/')}",
            "--no-color",
            cwd=tmp_path, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
        )  # fmt: skip
        said, _ = await program.communicate()
        told = said.decode()
        async with httpx.AsyncClient(timeout=60) as client:
            health = await client.get(f"{address}healthz")
    assert program.returncode == 0, told[-9000:]
    tested = re.search(r"Tested: (\d+)", told)
    cases = re.search(r"(\d+) generated", told)
    assert tested
    assert cases
    assert int(tested[1]) >= 25
    assert int(cases[1]) >= 100
    assert health.status_code == 200
