"""How good the alarms themselves are: load, floods, nuisances, against the published targets.

Figures of ISA-18.2 / IEC 62682 / EEMUA 191 as quoted in secondary texts, for one operating
position and at least 30 days. Buckets of 10 minutes are those of the wall clock, empty ones
included; "any 10 minutes" begin anywhere. An alarm counts when it begins to ask for attention
(`Transition.annunciates`): what is suppressed, shelved or out of service is no load.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import ceil, floor, inf

import numpy as np
from numpy.typing import NDArray

from .memory import WINDOW_S
from .states import State
from .transition import Priority, Transition

DAY_S = 86_400.0
HOUR_S = 3600.0
ENOUGH_S = 30 * DAY_S
FLOOD_ABOVE, FLOOD_ENDS_BELOW = 10, 5
CHATTER_COUNT, CHATTER_S = 3, 60.0
"""Working rule in practice: the standards give no number (secondary texts)."""
STALE_S = 24 * HOUR_S
TOP = 10
SHARE_NEEDS = 200
"""Below this many alarms ten of them are always more than 5 %, however well it goes."""
SPLIT_NEEDS = 20
"""Below this many alarms one alarm is more than the 5 % of high priority."""
_ACTIVE = (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)


class Word(StrEnum):
    """How a figure stands to its target."""

    ACCEPTABLE = "acceptable"
    MANAGEABLE = "manageable"
    BEYOND = "beyond target"
    TOO_FEW = "too few alarms to say"


@dataclass(frozen=True)
class Figure:
    """One line of the report. target: likely acceptable; maximum: still manageable, or None."""

    name: str
    value: float
    unit: str
    target: str
    word: Word
    detail: tuple[str, ...] = ()
    """Ids of the alarms behind it."""


@dataclass(frozen=True)
class Report:
    """start, end: seconds since 1970 UTC. enough: whether it covers the 30 days that it should."""

    start: float
    end: float
    enough: bool
    total: int
    buckets: tuple[int, ...]
    """Alarms in each 10 minutes of the wall clock, from that which holds `start`."""
    figures: tuple[Figure, ...]


def report(transitions: Iterable[Transition], start: float, end: float) -> Report:
    """The alarms from `start` up to, not including, `end`.

    transitions: oldest first; those before `start` tell what was active by then. ValueError when
    the period is empty.
    """
    if not start < end:
        raise ValueError(f"period from {start} to {end}: an end after the start")
    history = list(transitions)
    counted = [t for t in history if t.annunciates and start <= t.time < end]
    buckets = in_buckets([t.time for t in counted], start, end)
    figures = (
        *_rates([t.time for t in counted], end - start),
        *_floods(buckets),
        _chattering(counted),
        _stale(history, start, end),
        _top(counted),
        *_split(counted),
    )
    enough = end - start >= ENOUGH_S
    return Report(start, end, enough, len(counted), tuple(buckets.tolist()), figures)


def in_buckets(times: Sequence[float], start: float, end: float) -> NDArray[np.int64]:
    """(n,) how many fall into each 10 minutes of the wall clock that touch the period."""
    first, last = floor(start / WINDOW_S), ceil(end / WINDOW_S)
    places = [floor(time / WINDOW_S) - first for time in times]
    return np.bincount(np.array(places, dtype=np.int64), minlength=last - first)


def flooded(buckets: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(n,) where a flood stands: begun by more than 10, ended by fewer than 5."""
    states, flood = [], False
    for count in buckets.tolist():
        flood = count > FLOOD_ABOVE or (flood and count >= FLOOD_ENDS_BELOW)
        states.append(flood)
    return np.array(states, dtype=np.bool_)


def most_within(times: Sequence[float], seconds: float) -> int:
    """The most that lie in any stretch so long, wherever it begins; its end is not in it."""
    ordered = np.sort(np.asarray(times, dtype=np.float64))
    before = np.searchsorted(ordered, ordered - seconds, side="right")
    return int((np.arange(len(ordered)) - before + 1).max(initial=0))


def _rates(times: Sequence[float], seconds: float) -> tuple[Figure, ...]:
    each = len(times) / seconds
    most = float(most_within(times, WINDOW_S))
    return (
        _figure("alarms an hour, average", each * HOUR_S, "1/h", 6, 12),
        _figure("alarms in 10 minutes, average", each * WINDOW_S, "1/10 min", 1, 2),
        _figure("alarms a day, average", each * DAY_S, "1/d", 150, 300),
        _figure("most alarms in any 10 minutes", most, "alarms", 10),
    )


def _floods(buckets: NDArray[np.int64]) -> tuple[Figure, ...]:
    above = 100 * float((buckets > FLOOD_ABOVE).mean())
    flood = 100 * float(flooded(buckets).mean())
    return (
        _figure("share of 10-minute periods with more than 10", above, "%", 1, strict=True),
        _figure("share of time in flood", flood, "%", 1, strict=True),
    )


def _chattering(counted: list[Transition]) -> Figure:
    names = chattering(counted)
    return _figure("chattering alarms", len(names), "alarms", 0, detail=names)


def chattering(counted: Iterable[Transition]) -> tuple[str, ...]:
    """Ids of alarms that began at least 3 times within some 60 s."""
    times: defaultdict[str, list[float]] = defaultdict(list)
    found: dict[str, None] = {}
    for t in counted:
        mine = times[t.alarm]
        mine.append(t.time)
        if len(mine) >= CHATTER_COUNT and mine[-1] - mine[-CHATTER_COUNT] < CHATTER_S:
            found[t.alarm] = None
    return tuple(found)


def _stale(history: list[Transition], start: float, end: float) -> Figure:
    """The worst day's number of alarms that had been active for more than 24 hours."""
    by_day: defaultdict[int, set[str]] = defaultdict(set)
    for alarm, began, ended in _active_spells(history, end):
        old, last = max(began + STALE_S, start), min(ended, end)
        if old < last:
            for day in range(floor(old / DAY_S), ceil(last / DAY_S)):
                by_day[day].add(alarm)
    worst = max(by_day.values(), key=len, default=set())
    name = "stale alarms (active for more than 24 h) on the worst day"
    return _figure(name, len(worst), "alarms", 5, strict=True, detail=tuple(sorted(worst)))


def _active_spells(history: list[Transition], end: float) -> list[tuple[str, float, float]]:
    """(alarm, from, to) where an alarm was active for everyone to see; `end` where it still is."""
    since: dict[str, float] = {}
    spells = []
    for t in history:
        if t.time >= end:
            break
        if t.after in _ACTIVE:
            since.setdefault(t.alarm, t.time)
        elif (began := since.pop(t.alarm, None)) is not None:
            spells.append((t.alarm, began, t.time))
    return spells + [(alarm, began, end) for alarm, began in since.items()]


def _top(counted: list[Transition]) -> Figure:
    busiest = Counter(t.alarm for t in counted).most_common(TOP)
    share = 100 * sum(n for _, n in busiest) / len(counted) if counted else 0.0
    names = tuple(alarm for alarm, _ in busiest)
    few = len(counted) < SHARE_NEEDS
    return _figure("share of the ten busiest alarms", share, "%", 5, few=few, detail=names)


def _split(counted: list[Transition]) -> tuple[Figure, ...]:
    by = Counter(t.priority for t in counted)
    few = len(counted) < SPLIT_NEEDS
    low, medium, high = (
        100 * by[p] / len(counted) if counted else 0.0
        for p in (Priority.LOW, Priority.MEDIUM, Priority.HIGH)
    )
    enough = Word.TOO_FEW if few else Word.ACCEPTABLE if low >= 80 else Word.BEYOND
    return (
        Figure("share of low priority", low, "%", "about 80", enough),
        _figure("share of medium priority", medium, "%", 15, few=few),
        _figure("share of high priority", high, "%", 5, few=few),
    )


def _figure(
    name: str,
    value: float,
    unit: str,
    target: float,
    maximum: float = -inf,
    *,
    strict: bool = False,
    few: bool = False,
    detail: tuple[str, ...] = (),
) -> Figure:
    good = value < target if strict else value <= target
    word = Word.ACCEPTABLE if good else Word.MANAGEABLE if value <= maximum else Word.BEYOND
    words = f"{'below' if strict else 'at most'} {target:g}"
    words += f", manageable up to {maximum:g}" if maximum > target else ""
    return Figure(name, float(value), unit, words, Word.TOO_FEW if few else word, detail)
