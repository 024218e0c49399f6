"""Replaying what a gateway recorded gives the findings that it told, at the same times."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import httpx
import pytest

from gateway.record.journal import FINDING, Search, search, to_finding
from gateway.record.opening import FILE, reader
from gateway.settings import Settings
from gateway.views import finding_view
from tests.cli.commands import ROOT, command
from tests.whole.program import archive, gateway, plant, until

pytestmark = [pytest.mark.server, pytest.mark.slow, pytest.mark.timeout(600)]

EXAMPLE = ROOT / "config" / "harbour-archive.toml"
BROKEN = (
    # Told in polls by its live zero; in half a minute by its peer; by silence.
    ("open-circuit", "dp-201", "open-circuit"),
    ("open-circuit", "dp-302", "open-circuit"),
    ("no-communication", "ef-4", "no-communication"),
)
"""Kind of the switch, subject, fault that it should be found as."""


async def switch(switches: httpx.AsyncClient, *, on: bool) -> None:
    for kind, subject, _ in BROKEN:
        wanted = {"kind": kind, "subject": subject, "size": None, "on": on}
        assert (await switches.post("/faults", json=wanted)).status_code == 200


def told(folder: Path) -> list[dict[str, Any]]:
    """Every finding of the journal in the shape in which others see it, oldest first."""
    with reader(folder / FILE) as connection:
        entries = search(connection, Search(kind=FINDING), 1000)
    return [finding_view(to_finding(e)).model_dump(mode="json") for e in reversed(entries)]


async def test_a_recorded_history_replays_to_the_findings_told_live(tmp_path: Path) -> None:
    site, state = archive(), tmp_path / "state"
    settings = Settings(state_dir=state, http_port=0, _env_file=None)
    async with plant(site) as switches, gateway(site, settings) as client:

        async def found(wanted: set[tuple[str, str]]) -> bool:
            answer = await client.get("/api/v1/findings")
            open_now = answer.json() if answer.status_code == 200 else None
            return open_now is not None and {(f["fault"], f["subject"]) for f in open_now} == wanted

        await until(90, "nothing wrong at first", lambda: found(set()))
        await switch(switches, on=True)
        all_three = {(fault, subject) for _, subject, fault in BROKEN}
        await until(150, "all three faults found, and nothing else", lambda: found(all_three))
        await switch(switches, on=False)
        await until(150, "all repaired", lambda: found(set()))
    live = told(state)
    assert {(f["fault"], f["subject"], f["phase"]) for f in live} >= {
        (fault, subject, phase) for _, subject, fault in BROKEN for phase in ("raised", "cleared")
    }

    out = tmp_path / "findings.jsonl"
    ended = await command(tmp_path, "replay", EXAMPLE, "--history", state, "--out", out)
    assert ended.code == 0, ended.err
    again = [json.loads(one) for one in out.read_text(encoding="utf-8").splitlines()]
    for one in again:
        del one["loop"]  # the first of its loops: a replay's own
    keys = ("time", "fault", "subject", "phase")
    assert [[f[k] for k in keys] for f in again] == [[f[k] for k in keys] for f in live]
    assert again == live
