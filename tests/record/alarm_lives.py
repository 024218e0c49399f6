"""Lives of a gateway's second half, each ended by kill -9: `alarm_lives.py FOLDER KILLS SEED`.

Alarms by chance, people who act on them, and the recorder. What a life did is told in FOLDER's
`told.jsonl`, a line at a time past every buffer of ours, so that it outlives the kill:
{"life": n}, {"restored": ...} as it starts, {"made": body} before a transition is handed to the
recorder, {"kept": n} once somebody's action and with it the first n of this life were confirmed.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
import time
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gateway.alarm import actions as do
from gateway.alarm.machine import Alarms
from gateway.alarm.states import RefusedError
from gateway.alarm.stored import to_dict
from gateway.alarm.transition import Transition, to_body
from gateway.annunciator import Annunciator
from gateway.diagnose.findings import Finding
from gateway.live import SinkState
from gateway.measure.columns import columns
from gateway.measure.measure import Measure
from gateway.record import alarms, journal
from gateway.record.backlog import Scan
from gateway.record.recorder import Queue, QueuedLogbook, record
from gateway.record.store import Store, open_store
from tests.alarm.alarm_plant import START, finding, plant, quiet

HERE = plant(1, 2, limits={"low": 20, "high": 80})
TOLD = "told.jsonl"
COMMIT_S = 0.02
ROW_S = 0.002
LONGEST_S = 0.2
LIFE_S = 10_000.0
"""Between the first rows of two lives, in the time of the plant; its rows are 5 s apart."""
FAULTS = ("open-circuit", "tube-off", "frozen")


class Told:
    """Appends lines to a file; each is in the hands of the system when it returns."""

    def __init__(self, folder: Path) -> None:
        self._file = os.open(folder / TOLD, os.O_CREAT | os.O_RDWR | os.O_APPEND)
        self.count = 0
        # A kill may cut a write at the end of a page: half a line told nobody anything.
        whole = os.pread(self._file, os.fstat(self._file).st_size, 0).rfind(b"\n") + 1
        os.ftruncate(self._file, whole)

    def say(self, what: str, value: Any) -> None:
        os.write(self._file, json.dumps({what: value}).encode() + b"\n")

    def made(self, transitions: Iterable[Transition]) -> None:
        for t in transitions:
            self.say("made", to_body(t))
            self.count += 1


class ToldLogbook(QueuedLogbook):
    """Tells what people bring about, and when it was confirmed."""

    def __init__(self, told: Told, queue: Queue, sinks: dict[str, SinkState]) -> None:
        super().__init__(queue, sinks)
        self._told = told

    async def keep(self, transitions: Sequence[Transition]) -> None:
        self._told.made(transitions)
        count = self._told.count
        await super().keep(transitions)
        self._told.say("kept", count)


class Life:
    """One, from a start to a kill."""

    def __init__(self, store: Store, told: Told, number: int, seed: int) -> None:
        self.queue: Queue = asyncio.Queue()
        self.sinks: dict[str, SinkState] = {}
        self.now = START + LIFE_S * number
        self._rng = np.random.default_rng([seed, number])
        self._told, self._measure = told, Measure(HERE)
        stored = store.do(alarms.resume)
        told.say("restored", to_dict(stored))
        machine = Alarms(HERE, columns(HERE), stored)
        logbook = ToldLogbook(told, self.queue, self.sinks)
        self._alarms = Annunciator(machine, logbook, lambda: self.now)
        self._open = {(f.fault, f.subject): f for f in store.do(journal.open_findings)}

    async def rows(self) -> None:
        while True:
            self.now += 5.0
            happened = tuple(self._happened())
            readings_of = quiet(HERE, 1, start=self.now)
            readings = self._measure.examine(readings_of)
            changes = self._alarms.examine(readings, happened, self._open.values())
            self._told.made(changes)
            self.queue.put_nowait(Scan(readings_of, readings, (*happened, *changes)))
            await asyncio.sleep(ROW_S)

    def _happened(self) -> Iterable[Finding]:
        if self._rng.random() < 0.5:
            key = str(self._rng.choice(FAULTS)), str(self._rng.choice(list(HERE.transducers)))
            at = self.now - START
            if (before := self._open.pop(key, None)) is not None:
                yield finding(HERE, *key, "cleared", at=at, since=before.since - START)
            else:
                self._open[key] = finding(HERE, *key, at=at)
                yield self._open[key]

    async def people(self) -> None:
        while True:
            try:
                await self._alarms.act(self._action())
            except RefusedError:
                await asyncio.sleep(0)

    def _action(self) -> do.Action:
        subject = str(self._rng.choice(list(HERE.transducers)))
        alarm = f"{self._rng.choice(FAULTS)}:{subject}"
        until = self.now + float(self._rng.choice([100, 1000, 50_000]))
        choices = (
            do.acknowledge(alarm, "Ada"),
            do.acknowledge_group("", "Ben"),
            do.shelve(alarm, "Ada", "spare part", until),
            do.unshelve(alarm, "Ben"),
            do.out_of_service("transducer", subject, "Ada", "calibration", until),
            do.return_to_service("transducer", subject, "Ben"),
        )
        return choices[int(self._rng.integers(len(choices)))]


async def _live(folder: Path, number: int, seed: int) -> None:
    told = Told(folder)
    told.say("life", number)
    with open_store(folder, HERE) as store:
        life = Life(store, told, number, seed)
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(record(store, life.queue, life.sinks, interval_s=COMMIT_S))
            await asyncio.sleep(0)
            tasks.create_task(life.rows())
            tasks.create_task(life.people())


def _lives(folder: Path, kills: int, seed: int) -> None:
    """Forked, not started anew: a life costs milliseconds, and the kill is as real."""
    chance = np.random.default_rng(seed)
    told = folder / TOLD
    for number in range(kills):
        before = told.stat().st_size if told.exists() else 0
        child = os.fork()
        if not child:
            try:
                asyncio.run(_live(folder, number, seed))
            finally:
                os._exit(1)  # a life ends by being killed
        if number % 2:  # every second one lives long enough, on a slow machine too
            _until_kept(told, before)
        time.sleep(float(chance.uniform(0.0, LONGEST_S)))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        if not os.WIFSIGNALED(status):
            sys.exit(f"life {number} ended before it was killed")


def _until_kept(told: Path, before: int) -> None:
    """Wait until a life has told that something was kept; `before`: bytes of those before it."""
    end = time.monotonic() + 20.0
    while time.monotonic() < end:
        if told.exists() and b'{"kept"' in told.read_bytes()[before:]:
            return
        time.sleep(0.005)


if __name__ == "__main__":
    _lives(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
