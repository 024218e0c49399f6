"""Acknowledgements over MQTT: what is taken, what is not, and in which words."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import aiomqtt
import pytest
import structlog
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarm import actions as do
from gateway.alarm.transition import Transition
from gateway.annunciator import Annunciator
from gateway.errors import StoreError
from gateway.live import SinkState
from gateway.publish import acknowledging
from gateway.publish.acknowledging import Desk, read
from gateway.publish.messages import AcknowledgeAnswer
from gateway.publish.sink import Sink
from gateway.publish.topics import Topics
from gateway.views import iso
from tests.alarm.alarm_plant import START, Watch, finding, plant

HERE = plant(1, 2)
TOPICS = Topics("x", "test")
WIRE = "open-circuit:p0-0a"


@dataclass
class Kept:
    """A logbook; `trouble` and `broken` make it refuse and fail."""

    kept: list[Transition] = field(default_factory=list)
    calls: int = 0
    words: str = ""
    broken: str = ""

    def trouble(self) -> str:
        return self.words

    async def keep(self, transitions: Sequence[Transition]) -> None:
        self.calls += 1
        if self.broken:
            raise StoreError(self.broken)
        self.kept += transitions


class Here:
    """A desk, and the alarms behind it."""

    def __init__(self) -> None:
        self.watch, self.logbook = Watch(HERE), Kept()
        self.alarms = Annunciator(self.watch.alarms, self.logbook, lambda: self.watch.now)
        self.desk = Desk(self.alarms, TOPICS, lambda: self.watch.now)

    def breaks(self, at: float) -> None:
        self.watch.wait(round(at) + 1, [finding(HERE, "open-circuit", "p0-0a", at=at)])

    def mended(self, at: float, since: float) -> None:
        gone = finding(HERE, "open-circuit", "p0-0a", "cleared", at=at, since=since)
        self.watch.wait(round(at) + 60, [gone])

    async def ask(self, **changes: Any) -> AcknowledgeAnswer:
        asked = {"alarm": WIRE, "onset": iso(START + 5), "person": "Ada"} | changes
        return await self.desk.answer(json.dumps(asked).encode())


async def test_taken_with_person_protocol_and_comment() -> None:
    here = Here()
    here.breaks(5)
    told = await here.ask(comment="on my way")
    assert told.model_dump() == {
        "accepted": True, "result": "acknowledged", "error": "", "alarm": WIRE,
        "onset": iso(START + 5), "state": "active acknowledged", "time": iso(here.watch.now),
    }  # fmt: skip
    (one,) = here.logbook.kept
    assert (one.alarm, one.event, one.actor, one.reason) == (
        WIRE, "acknowledge", "Ada (MQTT)", "on my way",
    )  # fmt: skip


async def test_one_that_has_returned_goes_to_rest() -> None:
    here = Here()
    here.breaks(5)
    here.mended(12, 5)
    here.breaks(90)
    here.mended(100, 90)
    assert here.watch.state(WIRE) == "returned unacknowledged"
    told = await here.ask(onset=iso(START + 90))
    assert (told.result, told.state, told.onset) == ("acknowledged", "normal", None)
    again = await here.ask(onset=iso(START + 90))
    assert (again.accepted, again.result) == (False, "refused")
    assert "at rest" in again.error


async def test_twice_is_once_and_waits_for_the_disk() -> None:
    here = Here()
    here.breaks(5)
    await here.ask()
    told = await here.ask(person="Ben")
    assert (told.accepted, told.result, told.error) == (True, "acknowledged already", "")
    assert len(here.logbook.kept) == 1
    assert here.logbook.calls == 2


async def test_a_late_copy_does_not_acknowledge_a_later_alarm() -> None:
    here = Here()
    here.breaks(5)
    await here.ask()
    here.mended(12, 5)
    here.breaks(90)
    told = await here.ask()
    assert (told.accepted, told.result) == (False, "refused")
    assert iso(START + 90) in told.error, "says when the alarm that stands now began"
    assert told.onset == iso(START + 90)
    assert here.watch.state(WIRE) == "active unacknowledged"


async def test_onset_in_any_zone_to_the_millisecond() -> None:
    here = Here()
    here.breaks(5)
    off = await here.ask(onset=iso(START + 5.001))
    assert (off.accepted, off.result) == (False, "refused")
    zoned = iso(START + 5).replace("T00:", "T02:").replace("Z", "+02:00")
    assert (await here.ask(onset=zoned)).accepted


@pytest.mark.parametrize("alarm", ["frozen:nowhere", "nothing", "open-circuit", ":", "a:b:c"])
async def test_no_such_alarm(alarm: str) -> None:
    told = await Here().ask(alarm=alarm)
    assert (told.accepted, told.result, told.alarm) == (False, "refused", alarm)
    assert "allowed: fault:subject" in told.error
    assert (told.state, told.onset) == (None, None)


async def test_hidden_ones_are_refused_in_words() -> None:
    here = Here()
    here.breaks(5)
    here.watch.do(do.shelve(WIRE, "Ada", "spare part", START + 600))
    told = await here.ask()
    assert (told.result, told.state) == ("refused", "shelved")
    assert "it is hidden" in told.error


async def test_what_is_not_recorded_is_not_accepted() -> None:
    here = Here()
    here.breaks(5)
    here.logbook.words = "the disk is full"
    told = await here.ask()
    assert (told.accepted, told.result) == (False, "not recorded")
    assert "the disk is full" in told.error
    assert here.watch.state(WIRE) == "active unacknowledged"
    here.logbook.words, here.logbook.broken = "", "done, but not recorded yet: disk is full"
    told = await here.ask()
    assert (told.accepted, told.result) == (False, "not recorded")
    assert told.state == "active acknowledged"


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b"", "invalid JSON"),
        (b"ack", "invalid JSON"),
        (b"\xff\xfe", "invalid JSON"),
        (b"[1]", "an object with alarm, onset and person"),
        (b"null", "an object with alarm, onset and person"),
        (b'{"alarm":"a:b","onset":"2026-05-28T20:30:00Z"}', "person: not there"),
        (b'{"alarm":"a:b","onset":"2026-05-28T20:30:00Z","person":" "}', "at least 1 character"),
        (b'{"alarm":"a:b","onset":"2026-05-28T20:30:00Z","person":"A\\nB"}', "one line"),
        (b'{"alarm":"a:b","onset":"2026-05-28T20:30:00","person":"A"}', "a time with its zone"),
        (b'{"alarm":"a:b","onset":1780000200,"person":"A"}', "onset: 1780000200"),
        (b'{"alarm":"a:b","onset":"now","person":"A"}', "a time with its zone"),
        (b'{"alarm":"a:b","onset":"2026-05-28T20:30:00Z","person":"A","all":1}', "all: 1"),
        (b'{"alarm":["a:b"],"onset":"2026-05-28T20:30:00Z","person":"A"}', "alarm: "),
        (b'{"alarm":"a:b","onset":"2026-05-28T20:30:00Z","person":"' + b"A" * 81 + b'"}', "80"),
        (b"[" * 4097, "4097 bytes; allowed: at most 4096"),
        (b"[" * 4000, "invalid JSON"),
    ],
)
async def test_bad_payloads_are_told_and_logged(payload: bytes, words: str) -> None:
    here = Here()
    here.breaks(5)
    with structlog.testing.capture_logs() as logged:
        told = await here.desk.answer(payload)
    assert (told.accepted, told.result, told.alarm) == (False, "bad", None)
    assert words in told.error
    assert [(line["log_level"], line["reason"]) for line in logged] == [("warning", told.error)]
    assert here.logbook.kept == []


@given(st.binary(max_size=200) | st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5),
    lambda inner: st.dictionaries(st.sampled_from(["alarm", "onset", "person", "x"]), inner),
    max_leaves=6,
).map(lambda content: json.dumps(content).encode()))  # fmt: skip
def test_nothing_that_comes_is_more_than_refused(payload: bytes) -> None:
    def words() -> str:
        try:
            return read(payload).person
        except acknowledging._Refusal as refusal:
            return str(refusal)

    assert words()


def message(payload: bytes = b"{}", *, retain: bool = False) -> aiomqtt.Message:
    return aiomqtt.Message(TOPICS.acknowledge, payload, 1, retain, 1, None)


async def test_retained_and_too_many_are_left_alone() -> None:
    desk = Here().desk
    with structlog.testing.capture_logs() as logged:
        desk.take(message(retain=True))
        for _ in range(acknowledging.MOST_WAITING + 2):
            desk.take(message())
    assert [line["event"] for line in logged] == [
        "retained acknowledgement ignored",
        *["acknowledgement ignored: too many at once"] * 2,
    ]
    assert desk._waiting.qsize() == acknowledging.MOST_WAITING


async def test_a_broker_that_refuses_the_topic_is_told_in_the_sink() -> None:
    class Broker:
        speaks_5 = False

        async def subscribe(self, topics: list[tuple[str, int]]) -> list[int]:
            assert topics == [(TOPICS.acknowledge, 1)]
            return [0x80]

    sinks: dict[str, SinkState] = {}
    sink = Sink("mqtt", sinks)
    sink.up()
    await Here().desk.serve(Broker(), sink)  # type: ignore[arg-type] # stands for a client
    assert sinks["mqtt"].reason == "no acknowledgements: the broker refuses (128)"
    assert sinks["mqtt"].connected
