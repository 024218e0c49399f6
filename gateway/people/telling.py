"""What was changed among people goes into the journal, once, by the gateway that runs or the next.

The command line writes no history: only the gateway does.
"""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections.abc import Sequence

import structlog

from gateway.errors import StartError, StoreError
from gateway.record import memory
from gateway.record.journal import Entry, append
from gateway.record.store import Store

from .book import Change, read

KIND = "people"
LOOK_S = 5.0
WORDS = {
    "added": "{name} may sign in as {role}",
    "role": "{name} is {role} from now on",
    "password": "{name} has another password",
    "restored": "{name} may sign in as {role}, from a backup",
    "removed": "{name} may not sign in any more",
}

log = structlog.get_logger(__name__)


async def keep_people_told(store: Store) -> None:
    """Put changes into the journal, for ever."""
    folder, before = store.file.parent, ""
    told: tuple[Change, ...] = ()
    while True:
        trouble = ""
        try:
            people = await asyncio.to_thread(read, folder)
            if people.changes != told:
                await store.ask(tell, people.changes)
                told = people.changes
        except (StartError, StoreError) as error:
            trouble = str(error)
        if trouble and trouble != before:
            log.warning("changes among people are not in the journal yet", reason=trouble)
        before = trouble
        await asyncio.sleep(LOOK_S)


def tell(connection: sqlite3.Connection, changes: Sequence[Change]) -> None:
    """Add those that are not in the journal yet, and remember which are."""
    known = set((memory.recall(connection, KIND) or {}).get("told", ()))
    fresh = [one for one in changes if one.id not in known]
    for one in fresh:
        append(connection, _entry(one))
    if fresh:
        told = {"told": [one.id for one in changes]}
        memory.keep(connection, KIND, round(time.time() * 1000), told)


def _entry(one: Change) -> Entry:
    words = WORDS.get(one.what, "{name}: " + one.what).format(name=one.name, role=one.role)
    return Entry(
        0, round(one.time * 1000), KIND, one.name, phase=one.what, actor="local",
        reason=f"on the command line by {one.by}", body={"message": words},
    )  # fmt: skip
