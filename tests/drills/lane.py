"""A gateway that is killed again and again: `python lane.py PORT FOLDER PLAN`.

The plan is JSON: settings of the gateway, how often to kill it, a seed. A process of its own, so
that each life is a fork of one that has loaded everything, and begins in a moment. Every life is
the whole program (`run_gateway`) with recording, broker, time-series server and pages; a person
acts on it over HTTP until it dies. What was made and what was confirmed is written down on the way,
one line of JSON each, in FOLDER/told.jsonl.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import signal
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from gateway import logs, watching
from gateway.plant.site import Site
from gateway.record.backlog import Row, Scan
from gateway.record.journal import Happened
from gateway.record.store import Store
from gateway.run import run_gateway
from gateway.settings import Settings
from tests.drills.counting import site_at

TOLD = "told.jsonl"
WAITS, UP_S = 3, 30.0
"""One life in so many counts from when it is up: else a busy machine would kill all before that."""
PERSON = "Ada"


def main() -> None:
    """Live and die as often as the plan says; the last life ends as it should."""
    port, folder, plan = int(sys.argv[1]), Path(sys.argv[2]), json.loads(sys.argv[3])
    settings = Settings(_env_file=None, state_dir=folder / "state", http_port=0, **plan["settings"])
    here, chance = site_at(port, plan["site"]), random.Random(plan["seed"])  # noqa: S311 (no secret)
    with (folder / TOLD).open("ab", buffering=0) as told:
        for life in range(plan["kills"]):
            tell(told, life=life)
            seconds = chance.uniform(*plan["seconds"])
            _life(here, settings, told, seconds, chance, up=life % WAITS == 0)
            tell(told, killed=time.time())


def tell(told: Any, **what: object) -> None:
    """One line, at once."""
    told.write(json.dumps(what).encode() + b"\n")


def _life(
    here: Site, settings: Settings, told: Any, seconds: float, chance: random.Random, *, up: bool
) -> None:
    """Begin, act until the time is over, kill -9; up: the time counts from when the page opens."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        _child(here, settings, told, writing)
    os.close(writing)
    end = time.monotonic() + seconds
    try:
        # Killed at any moment, also before it is up.
        address = _address(reading, time.monotonic() + UP_S if up else end)
        if up:
            end = time.monotonic() + seconds
        # What people do is committed at once, and all before it: half of the lives go without.
        if address.endswith(b"\n") and chance.random() < 0.5:
            _act(address.decode().strip(), settings.state_dir, told, end, chance)
        time.sleep(max(0.0, end - time.monotonic()))
    finally:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(reading)


def _address(pipe: int, end: float) -> bytes:
    """Its page as soon as it is told, a whole line; what there is by the end."""
    os.set_blocking(pipe, False)
    address = b""
    while time.monotonic() < end and not address.endswith(b"\n"):
        address += _read(pipe)
        time.sleep(0.005)
    return address


def _read(pipe: int) -> bytes:
    try:
        return os.read(pipe, 200)
    except BlockingIOError:
        return b""


def _child(here: Site, settings: Settings, told: Any, writing: int) -> None:
    code = 70
    try:
        logs.configure("json", "error")

        def made(*parts: Any) -> Scan:
            tell(told, row=float(parts[0].time[0]))
            return Scan(*parts)

        def ready(address: str) -> None:
            os.write(writing, f"{address}\n".encode())

        vars(watching)["Scan"] = made  # a row is told before it is queued
        _tell_commits(told)
        asyncio.run(run_gateway(here, settings, ready=ready))
        code = 0
    finally:
        os._exit(code)


def _tell_commits(told: Any) -> None:
    """What is in a commit that begins, and that it is done."""
    real = Store.write

    def write(store: Store, rows: Sequence[Row], happened: Sequence[Happened] = ()) -> None:
        times = [float(t) for block, _ in rows for t in block.time]
        tell(told, writing=times)
        real(store, rows, happened)
        tell(told, committed=times)

    Store.write = write  # type: ignore[assignment, method-assign] # in this process


def _act(address: str, folder: Path, told: Any, end: float, chance: random.Random) -> None:
    """Shelve and bring back one alarm after the other, as quick as they are confirmed."""
    token = (folder / "http-token").read_text(encoding="ascii").strip()
    while time.monotonic() < end:
        alarm = f"pressure-high:l{chance.randrange(2)}"
        verb = chance.choice(("shelve", "unshelve"))
        deed: dict[str, object] = {"person": PERSON, "reason": f"drill {chance.getrandbits(48)}"}
        if verb == "shelve":
            deed["minutes"] = 60
        request = urllib.request.Request(  # noqa: S310 (loopback)
            f"{address}api/v1/alarms/{alarm}/{verb}", json.dumps(deed).encode(),
            {"Authorization": f"Bearer {token}", "Content-Type": "application/json"},
        )  # fmt: skip
        left = max(0.01, end - time.monotonic())
        try:
            with urllib.request.urlopen(request, timeout=left) as answer:  # noqa: S310 (loopback)
                answer.read()
            tell(told, confirmed=deed["reason"])
        except urllib.error.HTTPError:
            pass  # shelved already, or not: nothing was done
        except OSError:
            return  # the time is up
        time.sleep(chance.uniform(0.0, 0.1))


if __name__ == "__main__":
    main()
