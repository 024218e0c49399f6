"""Loop checks on disk: every event as it happens, and the records that checks end in.

Events are never changed. A record carries a hash of itself and of the record before it, so that
one that was changed, taken out or put in between shows. The last hash stands on the printed
record too: whoever has the paper can tell whether the chain was made anew.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from gateway.loopcheck.events import AnyEvent, Event, from_json, to_json

OVER = ("finished", "abandoned")
WHOLE = ("five points", "three points")
"""Schemes that go through the range in both directions."""
FIRST = "0" * 64
"""What the first record names as the one before it."""


def append(connection: sqlite3.Connection, run: str, event: Event) -> None:
    """Add an event of a run."""
    kind = str(event.model_dump(include={"kind"})["kind"])
    connection.execute(
        "INSERT INTO check_events (run, time_ms, kind, body) VALUES (?, ?, ?, ?)",
        (run, round(event.time * 1000), kind, to_json(event)),
    )


def events(connection: sqlite3.Connection, run: str) -> list[AnyEvent]:
    """All events of a run, in order; ValueError for one of no known form."""
    rows = connection.execute(
        "SELECT body FROM check_events WHERE run = ? ORDER BY seq", (run,)
    ).fetchall()
    return [from_json(row[0]) for row in rows]


def unfinished(connection: sqlite3.Connection) -> list[str]:
    """Runs that are neither finished nor abandoned, oldest first."""
    rows = connection.execute(
        "SELECT run FROM check_events GROUP BY run"
        " HAVING sum(kind IN (?, ?)) = 0 ORDER BY min(seq)",
        OVER,
    ).fetchall()
    return [str(row[0]) for row in rows]


def unused(connection: sqlite3.Connection, name: str) -> str:
    """The name; with a number where a run has it: begun in the same second, or a clock set back."""
    taken = "SELECT 1 FROM check_events WHERE run = ? LIMIT 1"
    again = 1
    found = name
    while connection.execute(taken, (found,)).fetchone():
        again += 1
        found = f"{name}-{again}"
    return found


@dataclass(frozen=True)
class Line:
    """One record in the list."""

    number: int
    run: str
    time_ms: int
    loop: str
    hash: str
    verdict: str
    as_found: str


def canonical(body: Mapping[str, Any]) -> str:
    """The one text of a body: keys in order, no spaces, digits as Python writes them."""
    return json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def digest(text: str) -> str:
    """The hash of a record's canonical text, which holds the hash of the one before it."""
    return sha256(text.encode()).hexdigest()


def finish(
    connection: sqlite3.Connection,
    run: str,
    event: Event,
    make: Callable[[int, str], Mapping[str, Any]],
) -> int:
    """Add the last event of a run and its record, both or neither; the record's number.

    make: the record's body, given its number and the hash of the record before it; it must hold
    both, as "number" and "previous", with "loop".
    """
    row = connection.execute(
        "SELECT number, hash FROM check_records ORDER BY number DESC LIMIT 1"
    ).fetchone()
    number, previous = (int(row[0]) + 1, str(row[1])) if row else (1, FIRST)
    body = make(number, previous)
    text = canonical(body)
    append(connection, run, event)
    connection.execute(
        "INSERT INTO check_records (number, run, time_ms, loop, hash, body)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        (number, run, round(event.time * 1000), body["loop"], digest(text), text),
    )
    return number


def records(connection: sqlite3.Connection) -> list[Line]:
    """Every record, newest first."""
    rows = connection.execute(
        "SELECT number, run, time_ms, loop, hash, json_extract(body, '$.verdict'),"
        " json_extract(body, '$.as_found_verdict') FROM check_records ORDER BY number DESC"
    ).fetchall()
    return [Line(*row) for row in rows]


def record(connection: sqlite3.Connection, number: int) -> tuple[Mapping[str, Any], str] | None:
    """The body and the hash of a record; None when there is none of that number."""
    row = connection.execute(
        "SELECT body, hash FROM check_records WHERE number = ?", (number,)
    ).fetchone()
    return None if row is None else (json.loads(row[0]), str(row[1]))


@dataclass(frozen=True)
class Calibration:
    """What one record says of one transducer. `what`: its entry in the record's body."""

    number: int
    time_ms: int
    loop: str
    person: str
    scheme: str
    reference: str
    what: Mapping[str, Any]


def calibrations(connection: sqlite3.Connection, transducer: str) -> list[Calibration]:
    """Every record that a transducer is in, newest first."""
    rows = connection.execute(
        "SELECT number, time_ms, loop, body ->> '$.person', body ->> '$.scheme',"
        " body ->> '$.reference.identity', one.value FROM check_records,"
        " json_each(body, '$.transducers') AS one WHERE one.value ->> '$.id' = ?"
        " ORDER BY number DESC",
        (transducer,),
    ).fetchall()
    return [
        Calibration(number, when, loop, person, scheme, reference, json.loads(what))
        for number, when, loop, person, scheme, reference, what in rows
    ]


def last_good(connection: sqlite3.Connection, transducer: str) -> float | None:
    """When a transducer last left a check inside its tolerance, seconds since 1970.

    By its own reading: what the controller makes of it is no matter of its calibration. A zero or
    one point tells too little to count.
    """
    row = connection.execute(
        "SELECT max(time_ms) FROM check_records, json_each(body, '$.transducers') AS one"
        " WHERE one.value ->> '$.id' = ? AND coalesce("
        " one.value ->> '$.as_left.input.verdict', one.value ->> '$.as_found.input.verdict')"
        " = 'pass' AND body ->> '$.scheme' IN (?, ?)",
        (transducer, *WHOLE),
    ).fetchone()
    return None if row[0] is None else row[0] / 1000


def spans(connection: sqlite3.Connection, transducers: Sequence[str]) -> list[tuple[float, float]]:
    """When somebody worked on any of these: from begin to end of every check, seconds since 1970.

    Of one that is open: to its latest event.
    """
    rows = connection.execute(
        "SELECT min(each.time_ms), max(each.time_ms) FROM check_events AS each"
        " JOIN check_events AS first ON first.run = each.run AND first.kind = 'begun'"
        " WHERE EXISTS (SELECT 1 FROM json_each(first.body, '$.facts.transducers') AS member"
        " WHERE member.key IN (SELECT value FROM json_each(?))) GROUP BY each.run",
        (json.dumps(list(transducers)),),
    ).fetchall()
    return [(begin / 1000, end / 1000) for begin, end in rows]


def printed(connection: sqlite3.Connection, number: int) -> bytes | None:
    """The printed record as it was first made; None while it was not."""
    row = connection.execute("SELECT pdf FROM check_records WHERE number = ?", (number,)).fetchone()
    return None if row is None or row[0] is None else bytes(row[0])


def keep_printed(connection: sqlite3.Connection, number: int, pdf: bytes) -> None:
    """Keep a printed record; one that is there already stays."""
    connection.execute(
        "UPDATE check_records SET pdf = ? WHERE number = ? AND pdf IS NULL", (pdf, number)
    )


def is_as_made(body: Mapping[str, Any], hash_: str) -> bool:
    """Whether a record is what its hash was made of."""
    return digest(canonical(body)) == hash_


def broken(connection: sqlite3.Connection) -> list[str]:
    """What is wrong with the chain of records, oldest first; nothing when it is whole."""
    found, before = [], FIRST
    rows = connection.execute(
        "SELECT number, hash, body FROM check_records ORDER BY number"
    ).fetchall()
    for place, (number, hash_, text) in enumerate(rows, 1):
        body = json.loads(text)
        if digest(text) != hash_ or canonical(body) != text:
            found.append(f"record {number}: changed after it was made")
        elif body["previous"] != before:
            found.append(f"record {number}: does not follow the record before it")
        elif number != place or body["number"] != number:
            found.append(f"record {number}: out of its place")
        before = hash_
    return [*found, *_missing(connection)]


def _missing(connection: sqlite3.Connection) -> list[str]:
    """Checks that ended in a record which is gone: the last one leaves no gap in the chain."""
    rows = connection.execute(
        "SELECT DISTINCT run FROM check_events WHERE kind = 'finished'"
        " AND run NOT IN (SELECT run FROM check_records)"
    ).fetchall()
    return [f"{run}: finished, but its record is gone" for (run,) in rows]
