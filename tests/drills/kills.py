"""Kill -9 of the whole gateway at random moments while it records and forwards."""

from __future__ import annotations

import asyncio
import json
import os
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx

from gateway.record import journal, outbox
from gateway.record.store import open_store
from gateway.run import run_gateway
from gateway.settings import Settings
from tests.publish.servers import Broker, TimeSeries
from tests.whole.program import LIMITS

from .counting import counting, site_at
from .lane import PERSON, TOLD
from .report import Outcome
from .running import arrived, asked, caught_up, heard, outbox_empty, sent

ROOT = Path(__file__).parents[2]
SECONDS = 0.15, 1.7
"""A life, from the fork on; some from when it is up (`lane.WAITS`)."""
ON_ITS_WAY = 1
"""Commits that may begin without a row that was made before them: it was not queued yet. A clock
cannot tell, for a busy machine may leave either for seconds."""
NO_COMMIT_ROWS = 50
"""So many rows may be made until a commit begins: five times what comes in a second."""


@dataclass
class Commit:
    """One that began: how many rows had been made before it, and the times (ms) of its own."""

    made: int
    rows: set[int]
    done: bool = False


@dataclass
class Life:
    """What one life told. `rows`: times, s."""

    rows: list[float] = field(default_factory=list)
    confirmed: list[str] = field(default_factory=list)
    committed: set[int] = field(default_factory=set)
    commits: list[Commit] = field(default_factory=list)
    killed: float = 0.0

    def may_lose(self, time_ms: int) -> bool:
        """Whether a row that was made was not committed yet, and needed not be."""
        if time_ms in self.committed:
            return False
        if any(time_ms in one.rows for one in self.commits):
            return time_ms in self.commits[-1].rows  # killed in the middle of it
        number = [round(1000 * t) for t in self.rows].index(time_ms)
        without = [one.made for one in self.commits if one.made > number]
        waited = len(self.rows) - max([number, *without])
        busy = bool(self.commits) and not self.commits[-1].done  # takes as long as the disk takes
        return len(without) <= ON_ITS_WAY and (busy or waited <= NO_COMMIT_ROWS)


def lives(file: Path) -> list[Life]:
    """Every life in the order of time; a line that the kill cut off tells of nothing done."""
    found: list[Life] = []
    for line in file.read_bytes().splitlines():
        try:
            ((what, value),) = json.loads(line).items()
        except ValueError:
            continue
        match what:
            case "life":
                found.append(Life())
            case "row":
                found[-1].rows.append(value)
            case "confirmed":
                found[-1].confirmed.append(value)
            case "writing":
                rows = {round(1000 * t) for t in value}
                found[-1].commits.append(Commit(len(found[-1].rows), rows))
            case "committed":
                found[-1].committed |= {round(1000 * t) for t in value}
                found[-1].commits[-1].done = True
            case "killed":
                found[-1].killed = value
    return found


async def drill(
    folder: Path, broker: Broker, series: TimeSeries, kills: int = 200, lanes: int = 5
) -> list[Outcome]:
    """The lines of the table: rows in the history, at the server, and confirmed actions."""
    topic = "loopwitness/+/events/alarms"
    shared = {
        "mqtt_host": "127.0.0.1", "mqtt_port": broker.port, "influx_url": series.url,
        "influx_interval_s": 0.3,
    }  # fmt: skip
    async with broker.subscribed(topic) as got, counting() as peer:
        await asyncio.sleep(0.3)
        made = [Lane(folder / f"lane{k}", f"lane{k}", 100 + k, shared) for k in range(lanes)]
        began = time.monotonic()
        await asyncio.gather(*(_killed(lane, peer.port, kills // lanes) for lane in made))
        took = time.monotonic() - began
        upto = [await _last_life(lane, peer.port, series) for lane in made]
        journals = [await asyncio.to_thread(_sequence, lane) for lane in made]
        wanted = {
            (lane.name, seq) for lane, seqs in zip(made, journals, strict=True) for seq in seqs
        }
        await heard(lambda: wanted <= set(_told(got)))
        told = _told(got)
    results = [
        await _judged(lane, series, [seq for site, seq in told if site == lane.name], last)
        for lane, last in zip(made, upto, strict=True)
    ]
    return _outcomes(results, kills // lanes * lanes, took)


@dataclass(frozen=True)
class Lane:
    """One gateway with its own history, under the site id `name`."""

    folder: Path
    name: str
    seed: int
    settings: dict[str, Any]


async def _killed(lane: Lane, port: int, kills: int) -> None:
    lane.folder.joinpath("state").mkdir(parents=True)
    plan = {
        "site": lane.name, "settings": lane.settings, "seed": lane.seed, "kills": kills,
        "seconds": SECONDS,
    }  # fmt: skip
    script = Path(__file__).with_name("lane.py")
    child = await asyncio.create_subprocess_exec(
        sys.executable, str(script), str(port), str(lane.folder), json.dumps(plan),
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    code = await child.wait()
    assert code == 0, f"{lane.name} ended with {code}"


async def _last_life(lane: Lane, port: int, series: TimeSeries) -> int:
    """One that goes on until broker and server have everything; up to which row (ms)."""
    stop, up = asyncio.Event(), asyncio.Queue[str]()
    state = lane.folder / "state"
    settings = Settings(_env_file=None, state_dir=state, http_port=0, **lane.settings)
    here = site_at(port, lane.name)
    task = asyncio.create_task(
        run_gateway(here, settings, ready=up.put_nowait, stop=stop), name="gateway"
    )
    try:
        address = await asyncio.wait_for(up.get(), 60)
        last = int(asked(state, "SELECT max(time_ms) FROM scans"))
        await outbox_empty(state)
        async with httpx.AsyncClient(base_url=address, timeout=60, limits=LIMITS) as client:
            await caught_up(client, "influx")
        await sent(series, lane.name, last)
        return last
    finally:
        stop.set()
        await task


def _told(got: Sequence[dict[str, Any]]) -> list[tuple[str, int]]:
    """Site and sequence number of every event that came from the broker."""
    return [(one["topic"].split("/")[1], one["payload"]["sequence"]) for one in got]


def _sequence(lane: Lane) -> list[int]:
    """Sequence numbers of what the broker should have told."""
    with open_store(lane.folder / "state", site_at(1, lane.name)) as store:
        found = store.do(journal.search, journal.Search(kind="alarm"), 10_000_000)
    return [entry.seq for entry in found]


@dataclass
class Judged:
    """Of one lane. late_s: for each life, from the last row kept to the last row made."""

    made: int
    missing: int
    uncommitted: int
    doubled: int
    late_s: list[float]
    back_s: list[float]
    confirmed: int
    unconfirmed: int
    entries: int
    not_told: int
    told_twice: int
    stored: int
    not_sent: int


async def _judged(lane: Lane, series: TimeSeries, told: Sequence[int], upto: int) -> Judged:
    """told: sequence numbers that came from the broker."""
    with open_store(lane.folder / "state", site_at(1, lane.name)) as store:
        kept = store.do(lambda c: [row[0] for row in c.execute("SELECT time_ms FROM scans")])
        found = store.do(journal.search, journal.Search(kind="alarm"), 10_000_000)
        assert store.do(outbox.waiting) == 0
    there, all_lives = set(kept), lives(lane.folder / TOLD)
    made = [[round(1000 * t) for t in life.rows] for life in all_lives]
    missing, uncommitted, late = 0, 0, []
    for life, rows in zip(all_lives, made, strict=True):
        gone = [t for t in rows if t not in there]
        uncommitted += sum(map(life.may_lose, gone))
        missing += len(gone) - sum(map(life.may_lose, gone))
        if gone:
            late.append(life.killed - gone[0] / 1000)
    back = [after.rows[0] - before.killed for before, after in pairwise(all_lives) if after.rows]
    reasons = [e.reason for e in found if e.actor == f"{PERSON} (local token)"]
    confirmed = [reason for life in all_lives for reason in life.confirmed]
    wanted = {time_ms for time_ms in there if time_ms <= upto}
    not_sent = wanted - await arrived(series, lane.name, wanted)
    return Judged(
        made=sum(map(len, made)), missing=missing, uncommitted=uncommitted,
        doubled=len(kept) - len(there) + len(reasons) - len(set(reasons)), late_s=late, back_s=back,
        confirmed=len(confirmed), unconfirmed=len(set(confirmed) - set(reasons)),
        entries=len(found), not_told=len({e.seq for e in found} - set(told)),
        told_twice=len(told) - len(set(told)), stored=len(wanted), not_sent=len(not_sent),
    )  # fmt: skip


def _outcomes(results: Sequence[Judged], kills: int, took: float) -> list[Outcome]:
    def total(name: str) -> int:
        return sum(getattr(one, name) for one in results)

    late = [s for one in results for s in one.late_s]
    back = [s for one in results for s in one.back_s]
    broken = "gateway, kill -9"
    rows = [
        f"{total('uncommitted')} rows of the last {max(late, default=0):.1f} s were not committed",
        f"{took:.0f} s, {len(results)} side by side",
    ]
    return [
        Outcome(broken, kills, "rows in the history", total("made"), total("missing"),
                total("doubled"), back, rows),
        Outcome(broken, kills, "rows at the server", total("stored"), total("not_sent"), None),
        Outcome(broken, kills, "actions confirmed to a person", total("confirmed"),
                total("unconfirmed"), 0),
        Outcome(broken, kills, "alarm events at the broker", total("entries"),
                total("not_told"), total("told_twice")),
    ]  # fmt: skip
