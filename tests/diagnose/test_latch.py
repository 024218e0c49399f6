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


def reference(
    history: list[Row], raise_s: float, clear_s: float, gap_s: float, again_s: float
) -> list[bool]:
    active, run_value, run_start, seen = False, False, None, None
    explained, wait = False, raise_s
    out, now = [], 0.0
    for step, holds, known, blocked in history:
        now += step
        if blocked:
            active, run_start, seen, run_value = False, None, None, False
            explained = holds
        elif known:
            broken = seen is None or now - seen > gap_s or holds != run_value
            if broken or run_start is None:
                run_start, run_value = now, holds
                wait = max(raise_s, again_s) if explained else raise_s
            seen, explained = now, False
            lasted = now - run_start
            if holds and lasted >= wait:
                active = True
            if not holds and lasted >= clear_s:
                active = False
        out.append(active)
    return out


@given(
    rows, st.sampled_from([0.0, 2.0, 5.0]), st.sampled_from([0.0, 3.0]),
    st.sampled_from([0.0, 4.0]), st.integers(1, 40),
)  # fmt: skip
def test_latch_against_the_reference_and_however_cut(
    history: list[Row], raise_s: float, clear_s: float, again_s: float, cut: int
) -> None:
    """Rows in which nothing can happen are passed over, as live running does."""
    time = np.cumsum([step for step, *_ in history])
    holds, known, blocked = (
        np.array([[row[k]] for row in history], dtype=np.bool_) for k in (1, 2, 3)
    )
    one = [np.array([seconds]) for seconds in (raise_s, clear_s, 10.0, again_s)]
    latch = Latch(*one)
    got: list[bool] = []
    for a in range(0, len(history), cut):
        part = slice(a, a + cut)
        if latch.quiet(holds[part]):
            got += [False] * len(time[part])
            continue
        got += latch.follow(time[part], holds[part], known[part], blocked[part])[:, 0].tolist()
    assert got == reference(history, raise_s, clear_s, 10.0, again_s)


def test_a_seeded_latch_stays_raised_until_the_condition_is_seen_gone() -> None:
    latch = Latch(np.array([2.0]), np.array([2.0]), np.array([10.0]))
    latch.seed(0)
    no, yes = np.zeros((1, 1), dtype=np.bool_), np.ones((1, 1), dtype=np.bool_)
    assert latch.follow(np.array([0.0]), no, no, no)[0, 0]
    assert latch.follow(np.array([1.0]), no, yes, no)[0, 0]
    assert not latch.follow(np.array([3.0]), no, yes, no)[0, 0]


def test_what_a_cause_left_behind_is_not_said_right_after_it() -> None:
    """Its detector remembers for 9 s; 10 s are asked for after a cause, none without."""
    wait = [np.array([seconds]) for seconds in (0.0, 0.0, 10.0, 10.0)]
    rows = np.arange(40.0)
    blocked = ((rows >= 5) & (rows < 15))[:, None]
    known = np.ones((40, 1), dtype=np.bool_)
    short, long = ((rows >= 5) & (rows < end) for end in (24, 40))
    assert not Latch(*wait).follow(rows, short[:, None], known, blocked).any()
    said = Latch(*wait).follow(rows, long[:, None], known, blocked)[:, 0]
    assert np.flatnonzero(said)[0] == 25
    alone = Latch(*wait).follow(rows, long[:, None], known, np.zeros_like(blocked))[:, 0]
    assert np.flatnonzero(alone)[0] == 5
