"""Alarms that were left by another site file, or by a clock that was wrong by years."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

import numpy as np

from gateway.alarm import actions as do
from gateway.alarm.definitions import MANY_ANYWHERE
from gateway.alarm.memory import restore
from gateway.alarm.transition import Transition
from gateway.plant.site import Site
from tests.alarm.alarm_plant import START, Watch, finding, plant, quiet, rows

LIMITED = plant(limits={"low": 20.0, "high": 80.0})
WIRE, DISAGREE, LOW = "open-circuit:p0-0a", "disagreement:l0-0", "pressure-low:l0-0"
YEARS_S = 9 * 365 * 86_400.0


def edited(here: Site, edit: Callable[[dict[str, Any]], object]) -> Site:
    """The site after somebody has changed its file."""
    words = here.model_dump(mode="json")
    edit(words)
    return Site.model_validate(words)


def restarted(here: Site, said: Iterable[Transition], now: float) -> Watch:
    """A gateway that knows of `said` only, and whose first row comes after `now`."""
    again = Watch(here, restore(said))
    again.now = now
    return again


def test_what_a_removed_transducer_explained_stands_by_itself_after_its_delay() -> None:
    watch = Watch(LIMITED)
    disagree = finding(LIMITED, "disagreement", "l0-0", at=6)
    watch.wait(10, [finding(LIMITED, "open-circuit", "p0-0a", at=4), disagree])
    assert watch.alarms.stored.alarms[DISAGREE].cause == WIRE

    def without(words: dict[str, Any]) -> None:
        del words["transducers"]["p0-0a"]
        words["loops"]["l0-0"]["transducers"] = ["p0-0b"]

    small = edited(LIMITED, without)
    again = restarted(small, watch.said, watch.now)
    delay = round(again.alarms.definitions.of(DISAGREE).on_delay_s)
    again.see(quiet(small, delay, start=watch.now + 1), standing=[disagree])
    assert again.state(DISAGREE) == "suppressed by design"
    again.see(quiet(small, 2, start=again.now + 1))
    assert again.shown() == [DISAGREE]
    later = restarted(small, [*watch.said, *again.said], again.now)
    assert later.alarms.standing() == again.alarms.standing()
    later.see(quiet(small, 40, start=again.now + 1))
    assert later.state(DISAGREE) == "returned unacknowledged"


def test_a_loop_whose_running_point_is_gone_is_not_suppressed_for_ever() -> None:
    still = {key: np.zeros(60) for key in ("p0-0a", "p0-0b")}
    watch = Watch(LIMITED)
    watch.see(rows(LIMITED, still, {"l0-0": np.zeros(60)}))
    assert watch.state(LOW) == "suppressed by design"
    small = edited(LIMITED, lambda words: words["loops"]["l0-0"].update(running=None))
    again = restarted(small, watch.said, watch.now)
    again.see(rows(small, still, start=watch.now + 1))
    assert again.shown() == [LOW]


def ahead(said: Iterable[Transition]) -> list[Transition]:
    """The same, said by a clock that was years ahead."""
    return [
        replace(t, time=t.time + YEARS_S, until=t.until and t.until + YEARS_S) for t in said
    ]  # fmt: skip


def test_what_was_taken_away_by_a_clock_years_ahead_comes_back_after_its_span() -> None:
    broken = finding(LIMITED, "open-circuit", "p0-0a", at=4)
    watch = Watch(LIMITED)
    watch.wait(10, [broken])
    watch.do(do.shelve(WIRE, "Ada", "waits for a part", watch.now + 300))
    watch.do(do.out_of_service("transducer", "p0-0b", "Ada", "work", watch.now + 300))
    again = restarted(LIMITED, ahead(watch.said), watch.now)
    again.see(quiet(LIMITED, 300, start=watch.now + 1), standing=[broken])
    assert again.shown() == []
    again.see(quiet(LIMITED, 1, start=again.now + 1))
    assert list(again.alarms.stored.alarms) == again.shown() == [WIRE]
    assert {t.reason for t in again.said} == {"the clock was ahead when it was taken away"}


def test_a_start_by_a_clock_that_is_far_back_ends_nothing_before_its_time() -> None:
    """A machine without a clock of its own gets the time a minute after it was switched on."""
    broken = finding(LIMITED, "open-circuit", "p0-0a", at=4)
    watch = Watch(LIMITED)
    watch.wait(10, [broken])
    watch.do(do.shelve(WIRE, "Ada", "waits for a part", watch.now + 3600))
    again = restarted(LIMITED, watch.said, watch.now)
    again.see(quiet(LIMITED, 60, start=START - YEARS_S), standing=[broken])
    again.see(quiet(LIMITED, 10, start=watch.now + 3590))
    assert again.state(WIRE) == "shelved"
    again.see(quiet(LIMITED, 2, start=again.now + 1))
    assert again.shown() == [WIRE]
    assert again.said[-1].reason == "its time is over"


def test_a_group_of_a_clock_years_ahead_does_not_gather_what_begins_now() -> None:
    here = plant(3, 4)
    broken = [finding(here, "open-circuit", f"p{c}-{k}a", at=4) for c in range(3) for k in range(3)]
    watch = Watch(here)
    watch.wait(10, broken)
    group = f"{MANY_ANYWHERE}:{here.site.id}"
    assert watch.state(group) == "active unacknowledged"
    again = restarted(here, ahead(watch.said), watch.now)
    again.see(quiet(here, 2, start=watch.now + 1), standing=broken)
    frozen = finding(here, "frozen", "p2-3b", at=15)
    again.see(quiet(here, 5, start=again.now + 1), [frozen])
    assert "frozen:p2-3b" in again.shown()


def test_shelving_lasts_as_long_as_wanted_while_rows_run_ahead_of_the_clock() -> None:
    """A clock that was set back by two hours takes a day to catch up."""
    watch = Watch(LIMITED)
    watch.wait(10, [finding(LIMITED, "open-circuit", "p0-0a", at=4)])
    clock = watch.now - 7200
    said = watch.alarms.act(do.shelve(WIRE, "Ada", "waits for a part", clock + 1800), clock)
    assert [(t.time, t.until) for t in said] == [(watch.now, watch.now + 1800)]
    work = do.out_of_service("transducer", "p0-0b", "Ada", "work", clock + 1800)
    assert {t.until for t in watch.alarms.act(work, clock)} == {watch.now + 1800}
