"""What is due for a check, kept up to date, and a notice while anything is overdue."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Callable, Iterable
from contextlib import suppress

import structlog

from gateway.alarm.own import OVERDUE, OWN
from gateway.errors import StoreError
from gateway.live import Live
from gateway.loopcheck.due import Due, due_dates, in_words
from gateway.record.checks import last_good
from gateway.record.store import Store

from .checks import Checks

EVERY_S = 600.0
"""Seconds between two looks at the calendar."""

log = structlog.get_logger(__name__)


async def keep_due(
    live: Live, store: Store, checks: Checks, clock: Callable[[], float] = time.time
) -> None:
    """Set `checks.due`, and a notice in `live`, now and after every check, for ever."""
    while True:
        checks.ended.clear()
        try:
            checked = await store.ask(_checked, list(live.site.transducers))
        except StoreError as error:
            log.warning("what is due for a check cannot be read", reason=str(error))
        else:
            notice(live, checks, due_dates(live.site, checked, clock()))
        with suppress(TimeoutError):
            await asyncio.wait_for(checks.ended.wait(), EVERY_S)


def notice(live: Live, checks: Checks, due: list[Due]) -> None:
    """Show what is due, and tell of what is overdue."""
    checks.due = due
    words = in_words(due)
    if words:
        live.notices[OVERDUE] = f"{OWN[OVERDUE].message}: {words}"
    else:
        live.notices.pop(OVERDUE, None)


def _checked(connection: sqlite3.Connection, transducers: Iterable[str]) -> dict[str, float | None]:
    return {key: last_good(connection, key) for key in transducers}
