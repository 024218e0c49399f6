"""Scans of controllers at different paces become rows over the whole site."""

from __future__ import annotations

import numpy as np
import pytest

from gateway.live import LinkState
from gateway.measure.quality import Reason
from gateway.plant.site import Site
from gateway.poll.rows import Rows
from gateway.poll.scan import Scan

POINT = {"table": "input", "address": 0}
SITE = Site.model_validate(
    {
        "site": {"id": "s"},
        "controllers": {
            "fast": {"host": "h", "points": {"a": POINT, "b": POINT}},
            "slow": {"host": "h", "points": {"c": POINT}},
        },
    }
)
NONE, NOT_DUE, NOT_READ_YET = Reason.NONE, Reason.NOT_DUE, Reason.NOT_READ_YET


def scan(controller: str, *values: float, reason: Reason = NONE) -> Scan:
    codes = np.full(len(values), reason, dtype=np.uint8)
    return Scan(controller, 0.0, np.array(values), codes, LinkState(controller, polls=1))


def test_nothing_yet() -> None:
    block = Rows(SITE).row(5.0)
    assert block.time.tolist() == [5.0]
    assert np.isnan(block.values).all()
    assert block.values.shape == block.reasons.shape == (1, 3)
    assert block.reasons.tolist() == [[NOT_READ_YET] * 3]


def test_a_row_takes_each_scan_once() -> None:
    rows = Rows(SITE)
    rows.take(scan("slow", 3.0))
    first = rows.row(1.0)
    assert first.values[0, 2] == 3.0
    assert first.reasons.tolist() == [[NOT_READ_YET, NOT_READ_YET, NONE]]
    rows.take(scan("fast", 1.0, 2.0))
    second = rows.row(2.0)
    assert second.values[0, :2].tolist() == [1.0, 2.0]
    assert np.isnan(second.values[0, 2])
    assert second.reasons.tolist() == [[NONE, NONE, NOT_DUE]]


def test_the_latest_of_several_scans_counts() -> None:
    rows = Rows(SITE)
    rows.take(scan("slow", 3.0))
    rows.take(scan("slow", float("nan"), reason=Reason.NO_COMMUNICATION))
    block = rows.row(1.0)
    assert np.isnan(block.values[0, 2])
    assert block.reasons[0, 2] == Reason.NO_COMMUNICATION


def test_links_follow_the_scans() -> None:
    rows = Rows(SITE)
    assert list(rows.links) == ["fast", "slow"]
    rows.take(scan("slow", 3.0))
    assert [link.polls for link in rows.links.values()] == [0, 1]


def test_a_scan_that_does_not_fit() -> None:
    with pytest.raises(ValueError, match="fast: 1 values and 1 reasons; allowed: 2 of each"):
        Rows(SITE).take(scan("fast", 1.0))
    with pytest.raises(KeyError):
        Rows(SITE).take(scan("other", 1.0))
