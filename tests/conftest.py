"""What holds for every test: no stray tasks, loop debug on, how Hypothesis searches."""

from __future__ import annotations

import asyncio
import inspect
import os
import socket
from collections.abc import AsyncIterator

import pytest
from hypothesis import HealthCheck, settings

# A slow machine is no fault of the code, so there is no deadline. In the automatic run the same
# examples are tried every time: what fails there fails for everyone. On a desk they are new ones.
_CALM = (HealthCheck.too_slow,)
settings.register_profile("desk", deadline=None, max_examples=60, suppress_health_check=_CALM)
settings.register_profile("ci", settings.get_profile("desk"), derandomize=True, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") else "desk")

ENDING_ROUNDS = 5
"""Turns of the loop in which a task that was told to end may do so."""


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
