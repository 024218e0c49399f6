"""What is applied in a loop check teaches the diagnosis nothing, and leaves no finding behind."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from gateway.demo.control import demo_site_path
from gateway.demo.plant import Plant
from gateway.diagnose.diagnose import Diagnosis
from gateway.diagnose.picture import Picture
from gateway.measure.blocks import Block
from gateway.measure.measure import Measure
from gateway.measure.quality import Reason
from gateway.plant.sitefile import read_site

pytestmark = pytest.mark.slow

SITE = read_site(demo_site_path())
START, ROW_S, STEP_S = 1_780_272_000.0, 5.0, 90.0
PAIR = ("dp-201", "dp-202")
POINTS = (0.0, -25.0, 6.25, 37.5, 68.75, 100.0, 68.75, 37.5, 6.25, -25.0)


def applied() -> Iterator[tuple[str, float | None]]:
    """The whole check of stair-b: (transducer, Pa on its ports; None: tubes back)."""
    for key in PAIR:
        yield from ((key, pressure) for pressure in POINTS)
        yield key, None
    for key in PAIR:
        yield key, 0.0
        yield key, 60.0
        yield key, None


class Watched:
    """The demo plant under diagnosis, an hour at a time."""

    def __init__(self) -> None:
        self.plant = Plant(SITE, seed=4, time=START, max_step_s=2.0)
        self.measure = Measure(SITE)
        self.diagnosis = Diagnosis(SITE, self.measure.columns)
        self.at = START

    def go_on(self, seconds: float) -> None:
        rows, times = [], []
        for _ in range(int(seconds / ROW_S)):
            self.plant.step(ROW_S)
            self.at += ROW_S
            rows.append([v for key in SITE.controllers for v in self.plant.values(key)])
            times.append(self.at)
        values = np.array(rows)
        none = np.full(values.shape, Reason.NONE, dtype=np.uint8)
        self.diagnosis.examine(self.measure.examine(Block(np.array(times), values, none)))

    def of(self, picture: Picture) -> tuple[float, float, float]:
        """Of dp-201 with its fan running: minutes learnt, mean difference, noise."""
        column = self.measure.columns.transducers.ids.index("dp-201")
        return (
            float(picture.count[0, column]),
            float(picture.difference[0, column]),
            float(picture.noise[0, column]),
        )


def test_a_check_teaches_nothing_and_leaves_no_finding() -> None:
    here = Watched()
    here.go_on(8 * 3600)
    count, difference, noise = here.of(here.diagnosis.picture)
    assert count > 300, "it has learnt what is usual"
    found = set()
    for key, pressure in applied():
        here.plant.switch("calibrator", key, pressure, on=pressure is not None)
        here.go_on(STEP_S)
        found |= {one.fault for one in here.diagnosis.open}
    assert found, "what is applied is no usual pressure"
    here.go_on(3 * 3600)
    assert here.diagnosis.open == ()
    after, later, restless = here.of(here.diagnosis.picture)
    assert after > count
    assert later == pytest.approx(difference, abs=0.3)
    assert restless == pytest.approx(noise, rel=0.3)
