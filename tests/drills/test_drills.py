"""The drills as tests: nothing is lost but what was not yet committed when a process was killed."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.publish.servers import Broker, TimeSeries

from . import fuzz, kills
from .report import Outcome, table


def nothing_lost(outcomes: list[Outcome]) -> None:
    assert sum(one.lost for one in outcomes) == 0, table(outcomes)
    assert all(one.made > 0 for one in outcomes), table(outcomes)
    print(table(outcomes))  # noqa: T201 (shown when the test fails)


@pytest.mark.slow
def test_malformed_answers() -> None:
    nothing_lost(fuzz.drill())


@pytest.mark.server
@pytest.mark.slow
@pytest.mark.timeout(180)
async def test_killed_while_recording_and_forwarding(
    tmp_path: Path, broker: Broker, series: TimeSeries
) -> None:
    outcomes = await kills.drill(tmp_path, broker, series)
    nothing_lost(outcomes)
    assert sum(one.twice or 0 for one in outcomes[:3]) == 0, table(outcomes)
