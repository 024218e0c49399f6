"""The learnt picture over a restart, and wishes left as files."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from gateway.diagnose.picture import RUNNING, blank, forget, from_dict, learn, to_dict
from gateway.measure.columns import columns
from gateway.record import memory, wishes
from gateway.record.opening import reader
from gateway.record.store import open_store
from tests.sites import site


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


def test_a_wish_is_taken_once(tmp_path: Path) -> None:
    assert wishes.take_relearn(tmp_path) == []
    wishes.ask_to_relearn(tmp_path, "stair-b", "transducer replaced")
    assert wishes.take_relearn(tmp_path) == [("stair-b", "transducer replaced", "local")]
    assert wishes.take_relearn(tmp_path) == []
