"""An input may be told in counts, milliamps, volts or percent: it is the same input."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from gateway.diagnose.diagnose import Diagnosis
from gateway.measure.columns import FLOAT_STEPS, columns
from gateway.measure.measure import Measure
from gateway.measure.quality import Reason
from gateway.plant.site import Site
from tests.sites import block, site, transducer

CARDS: dict[str, tuple[list[float], dict[str, Any]]] = {
    "counts": ([0, 20000], {}),
    "millivolts": ([0, 10], {"scale": 0.0005, "unit": "V"}),
    "percent": ([0, 100], {"scale": 0.005, "unit": "%"}),
}
"""20,000 steps from 0 to 10 V, in three ways of telling them."""


def told(way: str) -> Site:
    """Two 0-10 V transducers of one loop."""
    ends, more = CARDS[way]
    card = {"counts": ends, "electrical": [0, 10], "unit": "V"}
    inputs = {f"c{k}": {"table": "input", "address": k, **more} for k in (1, 2)}
    return site(
        {f"p{k}": transducer(f"a.c{k}", input=card, signal="0-10 V") for k in (1, 2)},
        {"stair": {"transducers": ["p1", "p2"], "combine": "average"}},
        {"a": {"host": "127.0.0.1", "points": inputs}},
    )


@pytest.mark.parametrize("way", CARDS)
def test_a_step_is_what_the_register_can_show(way: str) -> None:
    t = columns(told(way)).transducers
    np.testing.assert_allclose(t.step, 10 / 20000)
    np.testing.assert_allclose(t.resolution, 125 / 20000)


def test_a_float_shows_more_digits_than_its_converter_has() -> None:
    words = told("percent").model_dump(mode="json")
    for point in words["controllers"]["a"]["points"].values():
        point.update(type="float32", scale=1.0)
    t = columns(Site.model_validate(words)).transducers
    np.testing.assert_allclose(t.step, 10 / FLOAT_STEPS)


def test_what_is_found_does_not_depend_on_how_an_input_is_told() -> None:
    """One reads close to the end of its input, the other drops dead."""
    rng = np.random.default_rng(7)
    share = {"c1": rng.normal(0.97, 0.001, 900), "c2": rng.normal(0.96, 0.001, 900)}
    share["c2"][600:] = 0.0
    steps = {key: np.round(20000 * np.minimum(values, 1)) for key, values in share.items()}
    found = {}
    for way, (ends, _) in CARDS.items():
        here = told(way)
        measure = Measure(here)
        part = block(here, {f"a.{k}": v * ends[1] / 20000 for k, v in steps.items()})
        readings = measure.examine(part)
        assert not (readings.reasons[:600] == Reason.INPUT_LIMIT).any(), "3 % from the end"
        said = Diagnosis(here, measure.columns).examine(readings)
        found[way] = [(f.fault, f.subject, f.phase, f.time) for f in said]
    assert [one[:3] for one in found["counts"]] == [("open-circuit", "p2", "raised")]
    assert found["counts"] == found["millivolts"] == found["percent"]
