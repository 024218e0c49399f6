"""How often each fault stood, and for how long."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rich.console import Console

from gateway.diagnose.findings import Finding
from gateway.replay.summary import Summary, duration, summary_table
from tests.record.made import finding

START = 1_780_272_000.0


def at(seconds: float, phase: str = "raised", *, subject: str = "p1") -> Finding:
    return replace(finding(subject, phase), time=START + seconds)


def shown(summary: Summary) -> list[list[str]]:
    """Title, then the cells of each row."""
    console = Console(width=200, file=None, record=True, quiet=False)
    with console.capture() as said:
        console.print(summary_table(summary))
    title, _, *rows = [r for r in said.get().splitlines() if r.strip()]
    return [[title.strip()], *([c for c in r.split("  ") if c.strip()] for r in rows[1:])]


def test_counts_and_times() -> None:
    summary = Summary()
    summary.saw(100, START, START + 990)
    summary.add([at(10), at(20, subject="p2"), at(70, "cleared"), at(100)])
    summary.saw(100, START + 1000, START + 2000)
    summary.add([at(1500, "cleared", subject="p2")])
    title, p1, p2 = shown(summary)
    assert title == [
        "200 rows, 2026-06-01T00:00:00.000Z to 2026-06-01T00:33:20.000Z, 2 kinds of findings"
    ]
    stood = ["2", "2026-06-01T00:00:10.000Z", "32 min 40 s", "still stands"]
    assert [c.strip() for c in p1] == ["open-circuit", "p1", *stood]
    stood = ["1", "2026-06-01T00:00:20.000Z", "24 min 40 s"]
    assert [c.strip() for c in p2] == ["open-circuit", "p2", *stood]


def test_a_finding_that_only_clears_was_raised_before_these_rows() -> None:
    summary = Summary()
    summary.saw(1, START, START)
    summary.add([at(0, "cleared")])
    assert summary.faults == {}


def test_no_rows() -> None:
    assert shown(Summary())[0] == ["No rows in this time"]


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"), (59.4, "59 s"), (59.6, "1 min 0 s"), (3599, "59 min 59 s"), (3600, "1 h 0 min"),
        (86_399, "23 h 59 min"), (86_400, "1 d 0 h"), (10.5 * 86_400, "10 d 12 h"),
    ],
)  # fmt: skip
def test_durations(seconds: float, words: str) -> None:
    assert duration(seconds) == words
