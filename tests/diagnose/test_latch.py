"""On-delay, off-delay, silence and blocking, against a slow reference written row by row."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from gateway.diagnose.latch import Latch

Row = tuple[float, bool, bool, bool]
rows = st.lists(
    st.tuples(
        st.sampled_from([0.5, 1.0, 2.0, 30.0]), st.booleans(), st.booleans(),
        st.sampled_from([False, False, False, True]),
    ),
    min_size=1,
    max_size=40,
)  # fmt: skip


def reference(history: list[Row], raise_s: float, clear_s: float, gap_s: float) -> list[bool]:
    active, run_value, run_start, seen = False, False, None, None
    out, now = [], 0.0
    for step, holds, known, blocked in history:
        now += step
        if blocked:
            active, run_start, seen, run_value = False, None, None, False
        elif known:
            broken = seen is None or now - seen > gap_s or holds != run_value
            if broken or run_start is None:
                run_start, run_value = now, holds
            seen = now
            lasted = now - run_start
            if holds and lasted >= raise_s:
                active = True
            if not holds and lasted >= clear_s:
                active = False
        out.append(active)
    return out


@given(rows, st.sampled_from([0.0, 2.0, 5.0]), st.sampled_from([0.0, 3.0]), st.integers(1, 40))
def test_latch_against_the_reference_and_however_cut(
    history: list[Row], raise_s: float, clear_s: float, cut: int
) -> None:
    time = np.cumsum([step for step, *_ in history])
    holds, known, blocked = (
        np.array([[row[k]] for row in history], dtype=np.bool_) for k in (1, 2, 3)
    )
    latch = Latch(np.array([raise_s]), np.array([clear_s]), np.array([10.0]))
    got: list[bool] = []
    for a in range(0, len(history), cut):
        part = slice(a, a + cut)
        got += latch.follow(time[part], holds[part], known[part], blocked[part])[:, 0].tolist()
    assert got == reference(history, raise_s, clear_s, 10.0)


def test_a_seeded_latch_stays_raised_until_the_condition_is_seen_gone() -> None:
    latch = Latch(np.array([2.0]), np.array([2.0]), np.array([10.0]))
    latch.seed(0)
    no, yes = np.zeros((1, 1), dtype=np.bool_), np.ones((1, 1), dtype=np.bool_)
    assert latch.follow(np.array([0.0]), no, no, no)[0, 0]
    assert latch.follow(np.array([1.0]), no, yes, no)[0, 0]
    assert not latch.follow(np.array([3.0]), no, yes, no)[0, 0]
