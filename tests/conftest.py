"""What holds for every test: no stray tasks, loop debug on, how Hypothesis searches."""

from __future__ import annotations

import asyncio
import fcntl
import inspect
import os
import socket
from collections.abc import AsyncIterator, Generator, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# A slow machine is no fault of the code, so there is no deadline. In the automatic run the same
# examples are tried every time: what fails there fails for everyone. On a desk they are new ones.
_CALM = (HealthCheck.too_slow,)
settings.register_profile("desk", deadline=None, max_examples=60, suppress_health_check=_CALM)
settings.register_profile("ci", settings.get_profile("desk"), derandomize=True, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") else "desk")

HERE = Path(__file__).parent
ENDING_ROUNDS = 5
"""Turns of the loop in which a task that was told to end may do so."""


UNIT_S = 15.0
"""Seconds that all tests without a mark should take together on an idle desk machine."""
_unit_s: dict[str, float] = {}
"""By id."""


def _rank(item: pytest.Item) -> int:
    """Unit tests 0, slow ones 1, those with real servers or a browser 2."""
    return 2 if item.get_closest_marker("server") else int(bool(item.get_closest_marker("slow")))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Quick ones first, so that a plain mistake shows in seconds."""
    items.sort(key=_rank)


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Where tests run in several processes, one marked `alone` waits until no other runs."""
    if not hasattr(item.config, "workerinput"):
        return (yield)
    with _turn(alone=item.get_closest_marker("alone") is not None):
        return (yield)


@contextmanager
def _turn(*, alone: bool) -> Iterator[None]:
    """Who waits to be alone holds the door: nobody else begins meanwhile."""
    door, room = (os.open(path, os.O_RDONLY) for path in (HERE, HERE / "conftest.py"))
    try:
        fcntl.flock(door, fcntl.LOCK_EX)
        fcntl.flock(room, fcntl.LOCK_EX if alone else fcntl.LOCK_SH)
        fcntl.flock(door, fcntl.LOCK_UN)
        yield
    finally:
        # Told in so many words: a process that a test has left keeps the file open.
        fcntl.flock(room, fcntl.LOCK_UN)
        os.close(door)
        os.close(room)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Also called where tests run in processes of their own."""
    if not {"server", "slow"} & report.keywords.keys():
        _unit_s[report.nodeid] = _unit_s.get(report.nodeid, 0.0) + report.duration


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """How long the unit tests took; told, not judged: the machine may be busy."""
    if _unit_s:
        took = sum(_unit_s.values())
        words = "within" if took <= UNIT_S else "more than"
        terminalreporter.write_line(
            f"{len(_unit_s)} unit tests took {took:.1f} s, {words} the {UNIT_S:.0f} s they may take"
        )


@pytest.fixture
def free_port() -> int:
    """A TCP port on loopback that nothing listens on right now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(autouse=True)
def _tasks_end(request: pytest.FixtureRequest) -> None:
    """An async test that leaves a task running fails."""
    function = getattr(request.node, "obj", None)
    function = getattr(getattr(function, "hypothesis", None), "inner_test", function)
    if inspect.iscoroutinefunction(function):
        request.getfixturevalue("_no_stray_tasks")


@pytest.fixture
async def _no_stray_tasks() -> AsyncIterator[None]:
    before = asyncio.all_tasks()
    asyncio.get_running_loop().set_debug(True)
    yield
    stray = asyncio.all_tasks() - before - {asyncio.current_task()}
    for _ in range(ENDING_ROUNDS):
        await asyncio.sleep(0)
        stray = {task for task in stray if not task.done()}
    for task in stray:
        task.cancel()
    await asyncio.gather(*stray, return_exceptions=True)
    if stray:
        names = ", ".join(sorted(f"{task.get_name()} ({task.get_coro()})" for task in stray))
        pytest.fail(f"left running: {names}")
