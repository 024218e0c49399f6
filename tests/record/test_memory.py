"""The learnt picture over a restart, and wishes left as files."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from gateway.diagnose.origin import outdated
from gateway.diagnose.picture import RUNNING, blank, forget, from_dict, learn, to_dict
from gateway.measure.columns import Columns, columns
from gateway.record import memory, wishes
from gateway.record.opening import reader
from gateway.record.store import open_store
from tests.sites import site, transducer


def test_the_picture_comes_back_from_the_store(tmp_path: Path) -> None:
    here = site()
    c = columns(here)
    picture = blank(c)
    rng = np.random.default_rng(1)
    for minute in range(200):
        seen = {
            name: rng.normal(1, 0.1, 2)
            for name in ("difference", "drive", "level", "noise", "wander", "moving", "together",
                         "peer_wander")
        }  # fmt: skip
        learn(picture, RUNNING, np.array([True, minute % 2 == 0]), 60.0 * minute, seen)
    with open_store(tmp_path, here) as store:
        store.do(memory.keep, "picture", 1, to_dict(picture, c))
        with reader(store.file) as connection:
            stored = memory.recall(connection, "picture")
            assert memory.recall(connection, "other") is None
    assert stored is not None
    again = from_dict(stored, c)
    for name, value in vars(picture).items():
        np.testing.assert_array_equal(getattr(again, name), value, err_msg=name)
    assert again.count[RUNNING].tolist() == [200.0, 100.0]
    np.testing.assert_allclose(again.sd()[RUNNING], 0.1, rtol=0.2)
    forget(again, c, 0)
    assert again.count[RUNNING].tolist() == [0.0, 0.0]


def test_what_was_learnt_of_something_else_of_the_same_name_is_not_taken_for_it() -> None:
    """A third transducer moves the middle of the others: healthy ones would be called drifted."""

    def drawn(members: list[str], **changes: object) -> Columns:
        loop = {"combine": "average", "feedback": "a.feedback"}
        three = {f"p{k}": transducer(f"a.c{k}") for k in (1, 2, 3)}
        three["p1"] |= changes
        return columns(site(three, {"stair": {**loop, "transducers": members}}))

    here = drawn(["p1", "p2"])
    picture = blank(here)
    picture.count[:] = picture.speed_count[:] = 200.0
    stored = to_dict(picture, here)

    def kept(now: Columns) -> list[float]:
        again = from_dict(stored, now)
        return [*again.count[RUNNING].tolist(), *again.speed_count.tolist()]

    assert kept(here) == kept(drawn(["p2", "p1"])) == [200, 200, 200, 200]
    assert kept(drawn(["p1", "p2"], calibrated="2026-05-01", location="roof")) == [200] * 4
    assert kept(drawn(["p1", "p2", "p3"])) == [0, 0, 0, 0]
    assert kept(drawn(["p1", "p2"], range=[0, 100])) == [0, 0, 200, 0]
    assert outdated(stored, drawn(["p1", "p2"], counts="a.setpoint")) == [
        ("transducers", "p1"), ("transducers", "p2"), ("loops", "stair"),
    ]  # fmt: skip
    for kind in stored.values():
        for entry in kind.values():
            del entry["of"]  # as older versions wrote it
    assert kept(drawn(["p1", "p2", "p3"])) == [200, 200, 200, 200]


def test_a_wish_is_taken_once(tmp_path: Path) -> None:
    assert wishes.take_relearn(tmp_path) == []
    wishes.ask_to_relearn(tmp_path, "stair-b", "transducer replaced")
    assert wishes.take_relearn(tmp_path) == [("stair-b", "transducer replaced", "local")]
    assert wishes.take_relearn(tmp_path) == []


def test_a_wish_in_another_encoding_is_taken_all_the_same(tmp_path: Path) -> None:
    """It lies there at the next start too: the gateway would never come up again."""
    wishes.ask_to_relearn(tmp_path, "stair-b", "")
    (tmp_path / wishes.FOLDER / "stair-b").write_bytes("tube clear\xe9d".encode("latin-1"))
    assert wishes.take_relearn(tmp_path) == [("stair-b", "tube clear\ufffdd", "local")]
    assert wishes.take_relearn(tmp_path) == []
