"""How a command ends: signals, exit codes, and what a person is told."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys

import pytest

from gateway import process
from gateway.errors import LinkError, StartError


def test_errors_of_tasks_are_told_one_by_one(capsys: pytest.CaptureFixture[str]) -> None:
    group = ExceptionGroup(
        "tasks", [StartError("port 1"), ExceptionGroup("inner", [LinkError("gone")])]
    )
    assert process.end_with(group) == 4
    assert capsys.readouterr().err.splitlines() == ["loopwitness: port 1", "loopwitness: gone"]


def test_what_nobody_foresaw_is_logged_whole(capsys: pytest.CaptureFixture[str]) -> None:
    mixed = ExceptionGroup("tasks", [StartError("port 1"), ZeroDivisionError("oh")])
    assert process.end_with(mixed) == process.OWN_MISTAKE
    said = capsys.readouterr()
    assert "ZeroDivisionError" in said.out + said.err


async def test_what_python_keeps_of_freed_tuples_is_let_go_every_minute() -> None:
    slept: list[float] = []

    async def sleep(seconds: float) -> None:
        slept.append(seconds)
        if len(slept) == 2:
            raise asyncio.CancelledError

    many = [tuple(range(k, k + 17)) for k in range(2000)]
    del many
    before = sys.getallocatedblocks()
    with pytest.raises(asyncio.CancelledError):
        await process.keep_collected(sleep)
    assert before - sys.getallocatedblocks() > 1500, "freed tuples count as allocated"
    assert slept == [60.0, 60.0]


def signals(*which: signal.Signals) -> None:
    """Send signals to this process, one turn of the loop apart."""
    loop = asyncio.get_running_loop()
    for turn, one in enumerate(which):
        loop.call_later(0.02 * (turn + 1), os.kill, os.getpid(), one)


@pytest.mark.parametrize(("which", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 0)])
def test_a_signal_sets_the_event(which: signal.Signals, code: int) -> None:
    ended = []

    async def work(stop: asyncio.Event) -> None:
        signals(which)
        await stop.wait()
        ended.append("in order")

    assert process.until_told(work) == code
    assert ended == ["in order"]


def test_a_second_ctrl_c_cancels() -> None:
    async def work(stop: asyncio.Event) -> None:
        signals(signal.SIGINT, signal.SIGINT)
        await stop.wait()
        await asyncio.sleep(60)

    assert process.until_told(work) == 130


def test_seconds_set_the_event() -> None:
    async def work(stop: asyncio.Event) -> None:
        await stop.wait()

    assert process.until_told(work, 0.01) == 0


def test_an_error_of_the_work_comes_through() -> None:
    async def work(stop: asyncio.Event) -> None:
        assert not stop.is_set()
        raise StartError("no port")

    with pytest.raises(StartError):
        process.until_told(work)


HANGING = """
import asyncio, sys, time
from concurrent.futures import ThreadPoolExecutor
from gateway import __main__ as command, process

pool = ThreadPoolExecutor()

async def work(stop):
    asyncio.get_running_loop().run_in_executor(None, time.sleep, 600)
    await stop.wait()

def app(prog_name):
    pool.submit(time.sleep, 600)
    KIND

command.app = app
command.main()
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "code"),
    [("sys.exit(process.until_told(work, 0))", 0), ("sys.exit(4)", 4), ("1 / 0", 70)],
)
def test_threads_that_hang_do_not_keep_the_process(kind: str, code: int) -> None:
    """As those of names do where a name server is silent."""
    words = [sys.executable, "-c", HANGING.replace("KIND", kind)]
    assert subprocess.run(words, timeout=120, check=False, capture_output=True).returncode == code
