"""Open checks over a gateway: rows become readings, everything is on disk, alarms keep quiet."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from gateway.alarm import actions
from gateway.checking.checks import RESTARTED
from gateway.errors import StoreError
from gateway.loopcheck.events import (
    Abandoned,
    Applied,
    Event,
    Finished,
    Paused,
    Recorded,
    Resumed,
)
from gateway.loopcheck.plan import Facts, facts
from gateway.loopcheck.run import CheckError, Measure
from gateway.record import checks as kept
from gateway.record import journal
from gateway.record.journal import Search
from tests.checking.bench import HERE, Bench, bench
from tests.loopcheck.made import ADA, checked_site, plan

LOOK = plan(scheme="zero", only_as_found=True)


def on_disk(there: Bench, name: str) -> list[str]:
    return [event.kind for event in there.there.store.do(kept.events, name)]


def out(there: Bench) -> set[str]:
    return {
        s.definition.subject
        for s in there.there.live.alarms.standing
        if s.memory.service is not None
    }


async def test_a_reading_is_taken_by_itself_and_is_on_disk(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        one = await there.checks.begin(plan(), ADA)
        assert one.settling.why == "waits to hear that the pressure is applied"
        await there.rows(8)
        assert on_disk(there, one.name) == ["begun"], "nobody said that it is applied"
        await there.apply(one)
        await there.rows(4)
        assert one.settling.why == "4 of 5 readings, 3 of 5 s"
        await there.rows(2)
        assert on_disk(there, one.name) == ["begun", "applied", "recorded"]
        read = one.run.recorded["as-found/p1/zero"]
        assert (read.applied, read.readings, read.person) == ({"p1": 0.0}, 6, "gateway")
        assert read.seen["p1"].pressure == pytest.approx(0.0, abs=0.01)
        assert read.loop.setpoint == 40.0
        assert one.step
        assert one.step.key == "as-found/p1/1-up-0"


@pytest.mark.slow
async def test_a_whole_check_ends_in_a_record(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        one = await there.checks.begin(
            plan(transducers=("p1", "p2"), combined=True, scheme="three points"), ADA
        )
        assert out(there) == {"stair", "p1", "p2"}
        await there.whole(one)
        assert there.checks.open == {}
        assert out(there) == set()
        found = there.there.store.do(kept.record, 1)
        assert found
        body, _ = found
        assert (body["number"], body["previous"]) == (1, kept.FIRST)
        assert (body["verdict"], body["as_found_verdict"], body["run"]) == (
            "pass",
            "pass",
            one.name,
        )
        entries = there.there.store.do(journal.search, Search(kind="loop-check"))
        assert [(e.phase, e.actor) for e in reversed(entries)] == [
            ("begun", ADA),
            ("finished", ADA),
        ]
        assert entries[0].body["message"] == "loop check: pass, as found pass, record 1"


async def test_a_pressure_that_is_not_there_is_asked_about_and_one_that_is_shown_is_not(
    tmp_path: Path,
) -> None:
    async with bench(tmp_path) as there:
        one = await there.checks.begin(plan(scheme="one point", point=80), ADA)
        assert one.step
        await there.checks.tell(one.name, Applied(**there.at(), step=one.step.key))
        assert one.settling.why == "waits for the next reading"
        there.pressures["p1"] = 30.0
        await there.rows(8)
        assert one.settling.asks
        assert "far from 75 Pa" in one.settling.why
        shown = Applied(**there.at(), step=one.step.key, shown={"p1": 30.1})
        await there.checks.tell(one.name, shown)
        await there.rows(6)
        (read,) = one.run.recorded.values()
        assert (read.applied, read.forced) == ({"p1": 30.1}, "")


async def test_two_checks_begun_in_one_second_are_two(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        first = await there.checks.begin(plan(), ADA)
        await there.checks.tell(first.name, Abandoned(**there.at(), reason="wrong loop"))
        second = await there.checks.begin(plan(), ADA)
        assert second.name == f"{first.name}-2"
        await there.step(second)
    async with bench(tmp_path) as again:
        assert list(again.checks.open) == [second.name]
        assert len(again.checks.of(second.name).run.recorded) == 1


async def test_hands_free_takes_what_reads_near(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        one = await there.checks.begin(LOOK.model_copy(update={"hands_free": True}), ADA)
        await there.rows(3)
        assert one.settling.why == "does not read near what is asked for yet"
        there.pressures["p1"] = 0.2
        await there.rows(6)
        assert one.run.recorded.keys() == {"as-found/p1/zero"}


async def test_what_does_not_settle_can_be_taken_by_a_person(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        one = await there.checks.begin(LOOK, ADA)
        with pytest.raises(CheckError, match="nothing to take"):
            await there.checks.force(one.name, ADA, "")
        await there.apply(one)
        for k in range(9):
            there.pressures["p1"] = float(k % 2)
            await there.rows()
        assert "to and fro" in one.settling.why
        await there.checks.force(one.name, ADA, "draught")
        read = one.run.recorded["as-found/p1/zero"]
        assert read.person == ADA
        assert read.forced.endswith("; draught")
        assert read.readings == 6


async def test_a_lost_controller_is_told_and_waited_for(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        one = await there.checks.begin(LOOK, ADA)
        await there.apply(one)
        await there.rows(2)
        await there.rows(1, c1=float("nan"), c2=20000)
        assert one.settling.why == "no reading of p1: the controller does not answer"


@pytest.mark.slow
async def test_a_killed_gateway_goes_on_where_it_was(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        one = await there.checks.begin(plan(), ADA)
        await there.step(one)
        await there.apply(one)
        name, before = one.name, one.run
    async with bench(tmp_path) as again:
        one = again.checks.of(name)
        assert one.run.recorded == before.recorded
        assert one.run.paused
        assert one.run.paused.reason == RESTARTED
        assert out(again) == {"stair", "p1", "p2"}
        await again.rows(8)
        assert len(one.run.recorded) == 1, "nothing is read while it is paused"
        await again.checks.tell(name, Resumed(**again.at()))
        await again.rows(8)
        assert len(one.run.recorded) == 1, "applied must be said again"
        await again.whole(one)
        assert again.there.store.do(kept.broken) == []
        assert out(again) == set()


async def test_a_check_goes_on_only_with_its_own_site(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        one = await there.checks.begin(plan(), ADA)
        name = one.name
    async with bench(tmp_path, checked_site(range=[-50, 100])) as other:
        with pytest.raises(CheckError, match="site file has changed"):
            await other.checks.tell(name, Resumed(**other.at()))
        await other.checks.tell(name, Abandoned(**other.at(), reason="new transducers"))
        assert other.checks.open == {}
        assert out(other) == set()


async def test_a_check_begun_before_steps_were_noted_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def without(*known: Any) -> Facts:
        return facts(*known).model_copy(update={"signal_steps": {}})

    async with bench(tmp_path) as there:
        monkeypatch.setattr("gateway.checking.checks.facts", without)
        one = await there.checks.begin(plan(), ADA)
        name = one.name
        monkeypatch.undo()
    async with bench(tmp_path) as again:
        one = again.checks.of(name)
        await again.checks.tell(name, Resumed(**again.at()))
        await again.whole(one)
        assert again.there.store.do(kept.broken) == []


async def test_one_check_at_a_time(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        one = await there.checks.begin(plan(), ADA)
        with pytest.raises(CheckError, match=f"{one.name} is open"):
            await there.checks.begin(plan(transducers=("p2",)), ADA)
        with pytest.raises(CheckError, match="loop: lobby; allowed: stair"):
            await there.checks.begin(plan(loop="lobby"), ADA)
        with pytest.raises(CheckError, match="of stair: p1, p2"):
            await there.checks.begin(plan(transducers=("p9",)), ADA)
        with pytest.raises(CheckError, match=f"allowed: {one.name}"):
            there.checks.of("nobody's")


async def test_what_somebody_else_took_out_of_service_stays_out(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        until = there.now + 9e4
        away = actions.out_of_service("transducer", "p2", "Bob", "cleaning", until)
        await there.there.live.alarms.act(away)
        one = await there.checks.begin(LOOK, ADA)
        assert out(there) == {"p1", "p2"}
        await there.whole(one)
        assert out(there) == {"p2"}


async def test_pausing_keeps_it_out_of_service(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        one = await there.checks.begin(LOOK, ADA)
        await there.apply(one)
        await there.checks.tell(one.name, Paused(**there.at(), reason="lunch"))
        await there.rows(8)
        assert one.run.recorded == {}
        assert out(there) == {"stair", "p1", "p2"}


async def test_what_cannot_be_written_has_not_happened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with bench(tmp_path) as there:
        one = await there.checks.begin(LOOK, ADA)
        await there.apply(one)
        append = kept.append

        def full(*args: object) -> None:
            if isinstance(args[-1], Recorded | Finished):
                raise StoreError("disk full")
            append(*args)  # type: ignore[arg-type] # as it was called

        monkeypatch.setattr(kept, "append", full)
        await there.rows(7)
        assert (one.run.recorded, one.trouble) == ({}, "disk full")
        monkeypatch.setattr(kept, "append", append)
        await there.rows(1)
        assert one.run.recorded
        assert one.trouble == ""
        monkeypatch.setattr(kept, "append", full)
        with pytest.raises(StoreError):
            await there.checks.tell(one.name, Finished(**there.at()))
        assert one.name in there.checks.open
        assert there.there.store.do(kept.records) == []


async def test_a_beginning_that_is_not_kept_takes_nothing_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_args: object) -> None:
        raise StoreError("disk full")

    async with bench(tmp_path) as there:
        monkeypatch.setattr(kept, "append", full)
        with pytest.raises(StoreError):
            await there.checks.begin(LOOK, ADA)
        assert (there.checks.open, out(there)) == ({}, set())


async def test_what_does_not_fit_is_refused_and_not_kept(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        one = await there.checks.begin(LOOK, ADA)
        wrong: tuple[Event, ...] = (
            Finished(**there.at()), Resumed(**there.at()),
            Applied(**there.at(), step="as-left/p1/zero"),
        )  # fmt: skip
        for event in wrong:
            with pytest.raises(CheckError):
                await there.checks.tell(one.name, event)
        assert on_disk(there, one.name) == ["begun"]
        assert isinstance(one.run.task, Measure)


async def test_swapped_wires_are_seen_at_the_first_step(tmp_path: Path) -> None:
    async with bench(tmp_path) as there:
        there.wiring = {"p1": "p2", "p2": "p1"}
        one = await there.checks.begin(plan(), ADA)
        await there.apply(one)
        await there.rows(7)
        assert one.step
        if one.step.key.endswith("zero"):
            await there.checks.force(one.name, ADA, "")
        await there.apply(one)
        await there.rows(7)
        assert "p2 has moved instead" in one.settling.why


def test_the_site_is_as_the_checks_take_it() -> None:
    assert list(HERE.loops["stair"].transducers) == ["p1", "p2"]
