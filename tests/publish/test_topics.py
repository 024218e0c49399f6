"""Names of topics, there and back, and where answers may go."""

from __future__ import annotations

import pytest

from gateway.publish.topics import Topics

TOPICS = Topics("plant/pressure", "harbour-archive")
ROOT = "plant/pressure/harbour-archive"


def test_every_topic_carries_the_site() -> None:
    assert TOPICS.status == f"{ROOT}/status"
    assert TOPICS.findings == f"{ROOT}/events/findings"
    assert TOPICS.alarms == f"{ROOT}/events/alarms"
    assert TOPICS.acknowledge == f"{ROOT}/commands/acknowledge"
    assert TOPICS.loop("stair") == f"{ROOT}/loops/stair"
    assert TOPICS.transducer("p1") == f"{ROOT}/transducers/p1"
    assert TOPICS.controller("a") == f"{ROOT}/controllers/a"
    assert TOPICS.alarm("open-circuit:p1") == f"{ROOT}/alarms/open-circuit/p1"


def test_wildcards_of_what_is_retained() -> None:
    assert TOPICS.retained == (
        f"{ROOT}/loops/+",
        f"{ROOT}/transducers/+",
        f"{ROOT}/controllers/+",
        f"{ROOT}/alarms/+/+",
    )


@pytest.mark.parametrize(
    ("topic", "about"),
    [
        (TOPICS.loop("stair"), ("loops", "stair")),
        (TOPICS.transducer("p1"), ("transducers", "p1")),
        (TOPICS.controller("a"), ("controllers", "a")),
        (TOPICS.alarm("open-circuit:p1"), ("alarms", "open-circuit:p1")),
        (TOPICS.status, None),
        (TOPICS.alarms, None),
        ("plant/pressure/other/loops/stair", None),
        (f"{ROOT}/alarms/open-circuit", None),
        (f"{ROOT}/loops/a/b", None),
    ],
)
def test_what_a_topic_is_about(topic: str, about: tuple[str, str] | None) -> None:
    assert TOPICS.subject(topic) == about


@pytest.mark.parametrize(
    ("topic", "may"),
    [
        (f"{ROOT}/answers/desk-3", True),
        ("desk/3/answers", True),
        ("plant/pressure/harbour-archive-2/x", True),
        (f"{ROOT}/answers", False),
        (ROOT, False),
        (f"{ROOT}/status", False),
        (f"{ROOT}/alarms/open-circuit/p1", False),
        (f"{ROOT}/commands/acknowledge", False),
        ("$SYS/x", False),
        ("desk/+", False),
        ("desk/#", False),
        ("desk\0", False),
        ("", False),
    ],
)
def test_answers_never_pass_for_what_the_gateway_says(topic: str, *, may: bool) -> None:
    assert TOPICS.may_answer(topic) is may
