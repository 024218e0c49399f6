"""The history behind a transducer that was found out of tolerance, asked of the store."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from math import ceil
from pathlib import Path
from typing import Any

import numpy as np

from gateway.errors import StoreError
from gateway.loopcheck.lookback import History, out_of_tolerance, told
from gateway.loopcheck.run import Run
from gateway.measure.blocks import Bools, Floats
from gateway.record.checks import last_good, spans
from gateway.record.lookup import begun
from gateway.record.opening import reader
from gateway.record.trends import trend

MOST = 20_000
"""Buckets; of a minute at least, so that two weeks are looked at minute by minute."""


class HistoryBehind:
    """Asked with a run that has been read through; blocks, so ask it in a thread."""

    def __init__(self, file: Path) -> None:
        self._file = file

    def __call__(self, run: Run) -> Sequence[Mapping[str, Any]]:
        """One look-back when anything was found out of tolerance, else none."""
        wrong = out_of_tolerance(run)
        if not wrong:
            return ()
        try:
            with reader(self._file) as connection:
                history = history_of(connection, run, tuple(wrong))
        except (StoreError, sqlite3.Error) as error:
            why = f"The history could not be read: {error}."
            return ({"transducer": ", ".join(wrong), "since": None, "words": why},)
        return (told(run, wrong, history),)


def history_of(connection: sqlite3.Connection, run: Run, wrong: Sequence[str]) -> History:
    """Since the earliest of the last good checks, or as far back as there is anything."""
    good = [_good(connection, run, key) for key in wrong]
    known = [moment for moment in good if moment is not None]
    since = min(known) if len(known) == len(good) else None
    now = run.begun.time
    first = begun(connection)
    start = max(first if first is not None else now, since or 0.0)
    members = {key: f"transducer/{key}" for key in run.facts.transducers}
    if not start < now - 60:
        nothing = np.zeros(0)
        return History(60.0, dict.fromkeys(members, nothing), nothing, since, start)
    buckets = min(MOST, ceil((now - start) / 60))
    series = {key: _series(connection, name, start, now, buckets) for key, name in members.items()}
    running = _series(connection, f"loop/{run.plan.loop}/running", start, now, buckets)
    times = np.unique(np.concatenate([time for time, _ in series.values()]))
    width = float(np.median(np.diff(times))) if len(times) > 1 else 60.0
    kept = _left_alone(times, width, spans(connection, list(members)))
    return History(
        width,
        {key: np.where(kept, _on(times, *one), np.nan) for key, one in series.items()},
        _on(times, *running), since, start,
    )  # fmt: skip


def _left_alone(times: Floats, width: float, checked: Sequence[tuple[float, float]]) -> Bools:
    """(n,) buckets without a check: what was applied in one is not what the loop did."""
    out = np.ones(len(times), dtype=np.bool_)
    for begin, end in checked:
        out &= (times + width <= begin) | (times > end)
    return out


def _good(connection: sqlite3.Connection, run: Run, key: str) -> float | None:
    """The last time at which a transducer was known to be right, seconds since 1970."""
    checked, day = last_good(connection, key), run.facts.transducers[key].calibrated
    given = datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() if day else None
    known = [moment for moment in (checked, given) if moment is not None]
    return max(known, default=None)


def _series(
    connection: sqlite3.Connection, name: str, start: float, end: float, buckets: int
) -> tuple[Floats, Floats]:
    """(n,) times and means; nothing for a series that was never recorded."""
    try:
        found = trend(connection, name, start, end, buckets)
    except KeyError:
        return np.zeros(0), np.zeros(0)
    return found.time, found.mean


def _on(times: Floats, time: Floats, values: Floats) -> Floats:
    """Values at the common times, NaN where there is none."""
    out = np.full(len(times), np.nan)
    out[np.searchsorted(times, time[np.isin(time, times)])] = values[np.isin(time, times)]
    return out
