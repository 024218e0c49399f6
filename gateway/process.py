"""How a command lives and ends: its settings, the signals that stop it, its exit code."""

from __future__ import annotations

import asyncio
import gc
import os
import signal
import sys
import threading
from collections.abc import Awaitable, Callable, Coroutine
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, NoReturn

import structlog
from pydantic import SecretStr, ValidationError
from pydantic_settings.exceptions import SettingsError

from gateway import logs
from gateway.errors import Fault, LoopwitnessError, StartError
from gateway.plant.faults import in_words, shown
from gateway.settings import PREFIX, Settings, load, secrets_dir, unknown

CTRL_C = 130
OWN_MISTAKE = 70
"""Exit code for what nobody foresaw (EX_SOFTWARE of sysexits.h)."""

LEAVE_S = 3.0
"""Longest wait for threads once all is closed."""

COLLECT_S = 60.0
"""Between two whole collections."""

log = structlog.get_logger(__name__)


def settings() -> Settings:
    """The settings of this process, and logging set up by them; StartError names every bad one."""
    try:
        folder = secrets_dir()
        if folder and not Path(folder).is_dir():
            raise StartError(
                f"LOOPWITNESS_SECRETS_DIR: {shown(folder)}; allowed: a folder that exists"
            )
        found = load()
    except ValidationError as error:
        faults = in_words(error, Settings)
        lines = [f"  {PREFIX}{f.path.upper()}: {_said(f)}; allowed: {f.allowed}" for f in faults]
        raise StartError("\n".join([f"{len(lines)} wrong setting(s)", *lines])) from None
    except (SettingsError, OSError, UnicodeDecodeError) as error:
        raise StartError(f"settings cannot be read: {_unreadable(error)}") from error
    logs.configure(found.log_format, found.log_level)
    for name, meant in unknown().items():
        log.warning("no such setting", name=name, meant=meant or None)
    return found


def _unreadable(error: Exception) -> str:
    """Which file it is: a secret file's own error is behind what the library says of its field."""
    cause = error.__cause__ or error
    if isinstance(cause, OSError) and cause.filename:
        place = Path(os.fsdecode(cause.filename)).absolute()
        return (
            f"{place}: {cause.strerror}; allowed: a file that this user may read, "
            "in a folder that it may enter"
        )
    return str(error)


def _said(fault: Fault) -> str:
    """What stands there, without secrets."""
    is_secret = Settings.model_fields[fault.path].annotation is SecretStr
    return logs.HIDDEN if is_secret else logs.without_password(fault.value)


def until_told(
    work: Callable[[asyncio.Event], Coroutine[Any, Any, None]], seconds: float | None = None
) -> int:
    """Run `work` to its end; Ctrl-C, SIGTERM or `seconds` set its event. Gives the exit code.

    A second Ctrl-C cancels it where it stands.
    """
    runner = asyncio.Runner()
    try:
        code = runner.run(_until_told(work, seconds))
    except BaseException:
        runner.close()
        raise
    timer = leave(code)
    runner.close()
    timer.cancel()
    return code


def leave(code: int) -> threading.Timer:
    """End the process with `code` in LEAVE_S, if it has not ended and the timer runs on.

    For when all is closed. Python waits for every thread, and the system's resolver holds one for
    half a minute where a name server is silent: a supervisor would have to kill us.
    """
    timer = threading.Timer(LEAVE_S, _exit, (code,))
    timer.daemon = True
    timer.start()
    return timer


def _exit(code: int) -> None:
    try:
        sys.stdout.flush()
        sys.stderr.flush()
    finally:
        os._exit(code)


async def _until_told(
    work: Callable[[asyncio.Event], Coroutine[Any, Any, None]], seconds: float | None
) -> int:
    loop, stop = asyncio.get_running_loop(), asyncio.Event()
    task = asyncio.create_task(work(stop), name="command")
    interrupts = 0

    def interrupted() -> None:
        nonlocal interrupts
        interrupts += 1
        log.info("stopping", signal="SIGINT")
        stop.set()
        if interrupts > 1:
            task.cancel()

    def terminated() -> None:
        log.info("stopping", signal="SIGTERM")
        stop.set()

    loop.add_signal_handler(signal.SIGINT, interrupted)
    loop.add_signal_handler(signal.SIGTERM, terminated)
    if seconds is not None:
        loop.call_later(seconds, stop.set)
    try:
        await task
    except asyncio.CancelledError:
        if interrupts < 2:
            raise
    return CTRL_C if interrupts else 0


async def keep_collected(sleep: Callable[[float], Awaitable[None]] = asyncio.sleep) -> NoReturn:
    """A whole collection every minute, for ever.

    Only that empties the lists of freed tuples (up to 2,000 of each length) that Python keeps for
    later. By itself it comes once in an hour on a small site: until then the lists grow, and lie in
    so many places that what is freed then can hardly be given back.
    """
    while True:
        await sleep(COLLECT_S)
        gc.collect()


def end_with(error: Exception) -> int:
    """Tell a person what went wrong, on standard error, and give the exit code.

    Errors of our own kinds are a line or a list each; anything else is logged with its traceback.
    """
    expected = _leaves(error)
    if not all(isinstance(e, LoopwitnessError) for e in expected):
        log.critical("unexpected error: the process ends", exc_info=error)
        return OWN_MISTAKE
    for line in dict.fromkeys(str(e) for e in expected):
        sys.stderr.write(f"loopwitness: {line}\n")
    return max(e.exit_code for e in expected if isinstance(e, LoopwitnessError))


def _leaves(error: BaseException) -> list[BaseException]:
    """The errors inside groups, at any depth; a task group wraps what its tasks raise."""
    if isinstance(error, BaseExceptionGroup):
        return [leaf for inner in error.exceptions for leaf in _leaves(inner)]
    return [error]


def program_version() -> str:
    """The installed version; "0" when run from a folder that was not installed."""
    try:
        return version("loopwitness")
    except PackageNotFoundError:
        return "0"
