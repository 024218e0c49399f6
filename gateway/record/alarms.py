"""How the alarms stood when the process ended: made of the journal, and of nothing else.

The journal is for ever, so what its entries come to is remembered now and then together with the
number of the last entry that is in it; a start reads only what came after. What is remembered can
be thrown away at any time: it is made of the journal in one transaction, and made anew when it is
missing or of another form.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import structlog

from gateway.alarm.memory import Stored, restore
from gateway.alarm.stored import from_dict, to_dict
from gateway.alarm.transition import Transition

from . import memory
from .journal import ALARM, FIELDS, to_entry, to_transition

NAME = "alarms"

log = structlog.get_logger(__name__)


@dataclass
class _Reached:
    """Up to where the journal has been read."""

    seq: int = 0
    stored: Stored = field(default_factory=Stored)


def resume(connection: sqlite3.Connection) -> Stored:
    """What `Alarms` starts from; remembered, so that the next time is quick.

    Within one transaction of the writer.
    """
    reached = _remembered(connection)
    before = reached.seq
    stored = restore(_since(connection, reached), reached.stored)
    if reached.seq > before:
        body = {"seq": reached.seq, "stored": to_dict(stored)}
        memory.keep(connection, NAME, round(time.time() * 1000), body)
    return stored


def _remembered(connection: sqlite3.Connection) -> _Reached:
    body = memory.recall(connection, NAME)
    if body is None:
        return _Reached()
    try:
        return _Reached(int(body["seq"]), from_dict(body["stored"]))
    except (KeyError, TypeError, ValueError) as error:
        log.warning("remembered alarms are of another form: the whole journal is read",
                    reason=str(error))  # fmt: skip
        return _Reached()


def _since(connection: sqlite3.Connection, reached: _Reached) -> Iterator[Transition]:
    """Transitions after those reached, in order; moves `reached` along."""
    rows = connection.execute(
        f"SELECT {', '.join(FIELDS)} FROM journal "  # noqa: S608 - own column names
        "WHERE seq > ? AND kind = ? ORDER BY seq",
        (reached.seq, ALARM),
    )
    for row in rows:
        entry = to_entry(row)
        reached.seq = entry.seq
        try:
            yield to_transition(entry)
        except (KeyError, TypeError, ValueError) as error:
            # One entry that nobody can read must not keep the gateway from watching.
            reason = f"{type(error).__name__}: {error}"
            log.warning("journal entry of an alarm cannot be read", seq=entry.seq, reason=reason)
