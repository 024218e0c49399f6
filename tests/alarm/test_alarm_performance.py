"""The report on the alarms themselves, against the published targets and worked counts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarm.performance import (
    Figure,
    Word,
    chattering,
    flooded,
    in_buckets,
    most_within,
    report,
)
from gateway.alarm.states import Event, State
from gateway.alarm.transition import Priority, Transition

T0 = 1_780_272_000.0
"""A whole multiple of a day."""
DAY, MONTH = 86_400.0, 30 * 86_400.0


def step(
    at: float,
    alarm: str = "open-circuit:p1",
    after: State = State.UNACKNOWLEDGED,
    *,
    before: State = State.NORMAL,
    priority: Priority = Priority.LOW,
) -> Transition:
    event = Event.ALARM if after is State.UNACKNOWLEDGED else Event.ACKNOWLEDGE
    return Transition(
        T0 + at, 0, alarm, alarm.partition(":")[0], "transducer", alarm.partition(":")[2], event,
        before, after, priority, "made up",
    )  # fmt: skip


def many(count: int, start: float, seconds: float = 600.0) -> list[Transition]:
    """So many alarms, each of its own, spread evenly."""
    return [step(start + k * seconds / count, f"open-circuit:p{k}-{start:g}") for k in range(count)]


def figures(said: list[Transition], seconds: float = MONTH) -> dict[str, Figure]:
    return {f.name: f for f in report(said, T0, T0 + seconds).figures}


def test_ten_in_ten_minutes_are_no_flood_eleven_are() -> None:
    # ISA-18.2 / EEMUA 191 (secondary texts): a flood starts above 10 in 10 minutes.
    assert not flooded(np.array([0, 10, 0])).any()
    assert flooded(np.array([0, 11, 0])).tolist() == [False, True, False]
    ten, eleven = figures(many(10, 600)), figures(many(11, 600))
    share = "share of 10-minute periods with more than 10"
    assert ten[share].value == 0
    assert eleven[share].value == pytest.approx(100 / 4320)  # 30 days hold 4320 periods
    assert ten["most alarms in any 10 minutes"].word is Word.ACCEPTABLE
    assert eleven["most alarms in any 10 minutes"].word is Word.BEYOND


def test_any_ten_minutes_are_not_those_of_the_clock() -> None:
    """6 alarms in the last minute of one period of the clock, 6 in the first of the next: 12.

    EEMUA 191 (secondary text): at most 10 in any 10 minutes.
    """
    most = figures(many(6, 540, 60) + many(6, 600, 60))["most alarms in any 10 minutes"]
    assert (most.value, most.word) == (12, Word.BEYOND)
    # One every 60 s: 0, 60, ... 540 are in ten minutes, 600 is not.
    assert most_within([60.0 * k for k in range(30)], 600) == 10
    assert (most_within([], 600), most_within([5.0], 600), most_within([5.0] * 3, 600)) == (0, 1, 3)


def test_a_flood_ends_below_five() -> None:
    # One secondary digest: ends below 5 in 10 minutes.
    assert flooded(np.array([11, 5, 6, 10, 4, 10, 11, 3])).tolist() == [
        True, True, True, True, False, False, True, False,
    ]  # fmt: skip


def test_buckets_are_those_of_the_wall_clock_and_empty_ones_count() -> None:
    times = [T0 + 599.9, T0 + 600.0, T0 + 1799.0]
    assert in_buckets(times, T0, T0 + 3600).tolist() == [1, 1, 1, 0, 0, 0]
    # From 5 past to 25 past three periods of the clock are touched.
    assert in_buckets([], T0 + 300, T0 + 1500).tolist() == [0, 0, 0]


@given(st.lists(st.floats(0, 86_399), max_size=50))
def test_every_alarm_is_in_one_bucket(times: list[float]) -> None:
    counts = in_buckets([T0 + t for t in times], T0, T0 + DAY)
    assert len(counts) == 144
    assert counts.sum() == len(times)


@pytest.mark.parametrize(
    ("a_day", "hourly", "ten_minutes", "daily"),
    [
        # About 6 an hour, 1 in 10 minutes, 150 a day are acceptable; 12, 2, 300 manageable.
        (144, Word.ACCEPTABLE, Word.ACCEPTABLE, Word.ACCEPTABLE),
        (145, Word.MANAGEABLE, Word.MANAGEABLE, Word.ACCEPTABLE),
        (288, Word.MANAGEABLE, Word.MANAGEABLE, Word.MANAGEABLE),
        (289, Word.BEYOND, Word.BEYOND, Word.MANAGEABLE),
        (301, Word.BEYOND, Word.BEYOND, Word.BEYOND),
    ],
)
def test_average_rates(a_day: int, hourly: Word, ten_minutes: Word, daily: Word) -> None:
    said = [t for day in range(2) for t in many(a_day, day * DAY, DAY)]
    found = figures(said, 2 * DAY)
    assert found["alarms an hour, average"].value == pytest.approx(a_day / 24)
    assert found["alarms an hour, average"].word is hourly
    assert found["alarms in 10 minutes, average"].word is ten_minutes
    assert found["alarms a day, average"].word is daily


@pytest.mark.parametrize(
    ("times", "chatters"),
    [([0, 30, 59], True), ([0, 30, 60], False), ([0, 59], False), ([0, 100, 130, 150], True)],
)
def test_three_in_a_minute_chatter(times: list[float], chatters: bool) -> None:  # noqa: FBT001 - a row of the table
    # Working rule: at least 3 activations of one alarm within 60 s; the standards give no number.
    said = [step(t) for t in times]
    assert chattering(said) == (("open-circuit:p1",) if chatters else ())
    figure = figures(said)["chattering alarms"]
    assert figure.word is (Word.BEYOND if chatters else Word.ACCEPTABLE)
    assert figure.detail == chattering(said)


def test_three_alarms_in_a_minute_do_not_chatter() -> None:
    assert chattering([step(k, f"open-circuit:p{k}") for k in range(3)]) == ()


STALE = "stale alarms (active for more than 24 h) on the worst day"


def stale(said: list[Transition]) -> Figure:
    return figures(said, 10 * DAY)[STALE]


def test_stale_is_active_for_more_than_a_day() -> None:
    returned = step(DAY, after=State.RETURNED, before=State.UNACKNOWLEDGED)
    assert stale([step(0), returned]).value == 0
    later = step(DAY + 1, after=State.RETURNED, before=State.UNACKNOWLEDGED)
    assert stale([step(0), later]).value == 1
    acknowledged = step(50, after=State.ACKNOWLEDGED, before=State.UNACKNOWLEDGED)
    assert stale([step(0), acknowledged]).detail == ("open-circuit:p1",)


def test_stale_counts_the_worst_day_and_what_began_before_the_period() -> None:
    # Fewer than 5 on any day (secondary texts).
    four = [step(-5 * DAY, f"open-circuit:p{k}") for k in range(4)]
    assert (stale(four).value, stale(four).word) == (4, Word.ACCEPTABLE)
    five = [*four, step(2 * DAY, "tube-off:p9")]
    assert (stale(five).value, stale(five).word) == (5, Word.BEYOND)
    gone = [
        step(DAY, f"open-circuit:p{k}", State.RETURNED, before=State.UNACKNOWLEDGED)
        for k in range(4)
    ]
    apart = [*four, *gone, *(step(5 * DAY, f"tube-off:p{k}") for k in range(4))]
    assert stale(apart).value == 4


def test_what_was_over_before_the_period_is_not_stale_in_it() -> None:
    gone = step(2.1 * DAY, after=State.RETURNED, before=State.UNACKNOWLEDGED)
    made = report([step(0), gone], T0 + 2.2 * DAY, T0 + 2.9 * DAY)
    assert {f.name: f.value for f in made.figures}[STALE] == 0


def test_what_is_hidden_is_neither_load_nor_stale() -> None:
    hidden = step(0, after=State.SHELVED, before=State.UNACKNOWLEDGED)
    behind = step(1, after=State.SUPPRESSED, before=State.SUPPRESSED)
    made = report([hidden, behind], T0, T0 + MONTH)
    assert made.total == 0
    assert all(f.value == 0 for f in made.figures)


def test_the_ten_busiest_are_named_and_judged_only_with_enough_alarms() -> None:
    said = [step(k * 3600, "over-range:p7") for k in range(30)]
    figure = figures(said)["share of the ten busiest alarms"]
    assert (figure.value, figure.word) == (100, Word.TOO_FEW)
    assert figure.detail == ("over-range:p7",)
    # 1 to 5 % is the target (secondary texts): 10 of 200 are 5 %, 11 of 201 more.
    flat = [step(k * 3600, f"open-circuit:p{k}") for k in range(200)]
    assert figures(flat)["share of the ten busiest alarms"].word is Word.ACCEPTABLE
    bumpy = [*flat, step(900_000, "open-circuit:p0")]
    assert figures(bumpy)["share of the ten busiest alarms"].word is Word.BEYOND


def split(low: int, medium: int, high: int) -> list[tuple[float, Word]]:
    priorities = [Priority.LOW] * low + [Priority.MEDIUM] * medium + [Priority.HIGH] * high
    said = [step(k * 3600, f"open-circuit:p{k}", priority=p) for k, p in enumerate(priorities)]
    found = figures(said)
    return [(found[f"share of {p} priority"].value, found[f"share of {p} priority"].word)
            for p in ("low", "medium", "high")]  # fmt: skip


def test_priorities_are_to_be_split_80_15_5() -> None:
    # Three levels (secondary texts).
    good = Word.ACCEPTABLE
    assert split(80, 15, 5) == [(80, good), (15, good), (5, good)]
    assert [word for _, word in split(70, 20, 10)] == [Word.BEYOND] * 3
    assert [word for _, word in split(3, 3, 3)] == [Word.TOO_FEW] * 3


def test_thirty_days_are_enough() -> None:
    # At least 30 days of data (secondary texts).
    assert report([], T0, T0 + MONTH).enough
    assert not report([], T0, T0 + MONTH - 1).enough


def test_nothing_at_all_is_acceptable_or_too_little_to_say() -> None:
    made = report([], T0, T0 + MONTH)
    assert {f.word for f in made.figures} == {Word.ACCEPTABLE, Word.TOO_FEW}
    assert len(made.buckets) == 4320


def test_only_the_period_counts() -> None:
    said = [step(-1), step(0), step(DAY - 1), step(DAY)]
    assert report(said, T0, T0 + DAY).total == 2


def test_targets_are_said_in_words() -> None:
    found = figures([])
    assert found["alarms an hour, average"].target == "at most 6, manageable up to 12"
    assert found["share of time in flood"].target == "below 1"


def test_an_empty_period_is_refused() -> None:
    with pytest.raises(ValueError, match="an end after the start"):
        report([], T0, T0)
