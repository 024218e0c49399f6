"""The journal asked: pages of a search, and the alarms of a period.

The journal is for ever, so a search goes through it in short questions, newest first, and stops
when its time is up; whoever asked goes on from there.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import takewhile
from operator import itemgetter

from gateway.alarm.states import State
from gateway.alarm.transition import Transition

from .journal import ALARM, FIELDS, Entry, Search, search, to_entry, to_transition

FIRST, WIDEST = 500, 8000
"""Entries that one question looks at: few at first, more when nothing is found."""
SEARCH_S = 0.5
"""Longest that one page is looked for."""
SPOKEN = ("message", "title", "next_check", "consequence")
"""Parts of an entry's body that people read."""
END = 2**62
"""Above every sequence number."""
_ACTIVE = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})


@dataclass(frozen=True)
class Page:
    """Entries, newest first. `before`: where to go on (`Search.before`), None at the end."""

    entries: list[Entry]
    before: int | None


def page(
    connection: sqlite3.Connection,
    wanted: Search,
    limit: int = 100,
    *,
    text: str = "",
    seconds: float = SEARCH_S,
    clock: Callable[[], float] = time.monotonic,
) -> Page:
    """Matching entries, at most `limit`, fewer when `seconds` are over first.

    text: also in the words of an entry, whatever the case of letters.
    """
    lowest, highest = _ends(connection, wanted)
    found: list[Entry] = []
    at, width, until = highest + 1, FIRST, clock() + seconds
    while at > lowest:
        down = max(lowest, at - width)
        for entry in search(connection, replace(wanted, before=at, least=down), width):
            if text and not says(entry, text):
                continue
            found.append(entry)
            if len(found) == limit:
                return Page(found, entry.seq if entry.seq > lowest else None)
        at, width = down, min(2 * width, WIDEST)
        if clock() >= until:
            break
    return Page(found, at if at > lowest else None)


def says(entry: Entry, text: str) -> bool:
    """Whether a text is in what people read of an entry."""
    words = [entry.subject, entry.fault, entry.phase, entry.actor, entry.reason]
    words += [str(entry.body.get(name, "")) for name in SPOKEN]
    return text.casefold() in "\n".join(words).casefold()


def _ends(connection: sqlite3.Connection, wanted: Search) -> tuple[int, int]:
    """The lowest and the highest sequence number of the span asked for; (1, 0): there is none."""
    tests = ["1"]
    tests += [f"time_ms >= {round(wanted.start * 1000)}"] if wanted.start is not None else []
    tests += [f"time_ms < {round(wanted.end * 1000)}"] if wanted.end is not None else []
    lowest, highest = (
        connection.execute(
            f"SELECT {which}(seq) FROM journal WHERE {' AND '.join(tests)}"  # noqa: S608 - numbers
        ).fetchone()[0]
        for which in ("min", "max")
    )
    if lowest is None or highest is None:
        return 1, 0
    return lowest, highest if wanted.before is None else min(highest, wanted.before - 1)


def transitions(
    connection: sqlite3.Connection, start: float, end: float, standing: Collection[str] = ()
) -> list[Transition]:
    """Transitions of alarms from `start` up to `end`, oldest first, for `performance.report`.

    Those of alarms that nobody saw are left out. Before all come those from which can be seen since
    when an alarm was active that was so at `start`. standing: ids of alarms that are active now.
    """
    known: list[Transition] = []
    first: dict[str, tuple[int, State]] = {}
    for seq, t in _readable(_since(connection, start)):
        first.setdefault(t.alarm, (seq, t.before))
        if t.time < end and (t.annunciates or not _ACTIVE.isdisjoint((t.before, t.after))):
            known.append(t)
    waiting = {alarm: seq for alarm, (seq, before) in first.items() if before in _ACTIVE}
    waiting |= {alarm: END for alarm in standing if alarm not in first}
    spells = [one for alarm, seq in waiting.items() for one in _spell(connection, alarm, seq)]
    return [t for _, t in sorted(spells, key=itemgetter(0))] + known


def begun(connection: sqlite3.Connection) -> float | None:
    """When the history file begins, seconds since 1970; None while it is empty.

    Rows are pruned and minutes later, the journal never: the oldest of them all.
    """
    found = [
        connection.execute(question).fetchone()
        for question in (
            "SELECT time_ms FROM journal ORDER BY seq LIMIT 1",
            "SELECT time_ms FROM readings ORDER BY time_ms LIMIT 1",
            "SELECT hour_ms FROM rollups ORDER BY series, hour_ms LIMIT 1",
        )
    ]
    return min((row[0] / 1000 for row in found if row), default=None)


def _spell(
    connection: sqlite3.Connection, alarm: str, seq: int
) -> Iterator[tuple[int, Transition]]:
    """What came before a number since an alarm last became active for everyone to see, backwards.

    Entries are read one by one, for what an alarm has been through in years may be much.
    """
    numbers = connection.execute(
        "SELECT seq FROM journal WHERE ref = ? AND kind = ? AND seq < ? ORDER BY seq DESC",
        (alarm, ALARM, seq),
    ).fetchall()
    before = (one for (number,) in numbers for one in _entries(connection, "seq = ?", number))
    return takewhile(lambda one: one[1].after in _ACTIVE, _readable(before))


def _since(connection: sqlite3.Connection, start: float) -> Iterator[Entry]:
    """Entries of alarms from a time on, in the order of their numbers and one at a time."""
    start_ms = round(start * 1000)
    # With +, the index of times is asked, not every old entry in the order of numbers.
    (least,) = connection.execute(
        "SELECT min(+seq) FROM journal WHERE time_ms >= ?", (start_ms,)
    ).fetchone()
    if least is None:
        return iter(())
    return _entries(connection, "seq >= ? AND kind = ? AND time_ms >= ?", least, ALARM, start_ms)


def _entries(connection: sqlite3.Connection, where: str, *values: str | int) -> Iterator[Entry]:
    rows = connection.execute(
        f"SELECT {', '.join(FIELDS)} FROM journal "  # noqa: S608 - own column names and tests
        f"WHERE {where} ORDER BY seq",
        values,
    )
    return (to_entry(row) for row in rows)


def _readable(entries: Iterable[Entry]) -> Iterator[tuple[int, Transition]]:
    """Their numbers and transitions; an entry that nobody can read is left out."""
    for entry in entries:
        with suppress(KeyError, TypeError, ValueError):
            yield entry.seq, to_transition(entry)
