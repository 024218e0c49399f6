"""Reasons as short texts, and back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from gateway.measure.blocks import Codes
from gateway.measure.quality import Reason
from gateway.measure.tellings import WORDS, codes_told, told

POINTS = ("ai1", "ai2", "feedback")


def codes(*rows: tuple[Reason, ...]) -> Codes:
    return np.array(rows, dtype=np.uint8)


@given(arrays(np.uint8, st.tuples(st.integers(0, 6), st.just(3)), elements=st.sampled_from(
    [reason.value for reason in WORDS])))  # fmt: skip
def test_every_text_gives_its_reasons_back(some: Codes) -> None:
    assert np.array_equal(codes_told(told(some, POINTS), POINTS), some)


def test_texts_are_short_where_a_reason_holds_for_all() -> None:
    all_silent = (Reason.NO_COMMUNICATION,) * 3
    mixed = (Reason.BAD_REPLY, Reason.BAD_REPLY, Reason.NONE)
    both = (Reason.BAD_REPLY, Reason.NONE, Reason.INVALID_VALUE)
    assert told(codes(all_silent, (Reason.NONE,) * 3, mixed, both), POINTS) == [
        "no-communication",
        "",
        "bad-reply: ai1 ai2",
        "bad-reply: ai1; invalid-value: feedback",
    ]


@pytest.mark.parametrize(
    "text", ["silence", "bad-reply:", "bad-reply ai1", "bad-reply: ai9", "none", "over-range"]
)
def test_a_text_that_says_nothing_known_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=text):
        codes_told(["", text], POINTS)
