"""What a replay found, in short: how often each fault stood on each subject, and for how long."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from rich.table import Table

from gateway.diagnose.findings import Finding
from gateway.tables import plain_table
from gateway.views import iso


@dataclass
class Standing:
    """One fault on one subject. Times in seconds since 1970."""

    count: int
    first: float
    stood_s: float = 0.0
    since: float | None = None
    """When it was raised, while it stands."""


@dataclass
class Summary:
    """Grows with every block."""

    rows: int = 0
    first: float | None = None
    last: float | None = None
    faults: dict[tuple[str, str], Standing] = field(default_factory=dict)

    def saw(self, rows: int, first: float, last: float) -> None:
        """Count in a block."""
        self.rows += rows
        self.first = first if self.first is None else self.first
        self.last = last

    def add(self, findings: Iterable[Finding]) -> None:
        """Take in findings in order of time."""
        for f in findings:
            key = (f.fault, f.subject)
            if f.phase == "raised":
                standing = self.faults.setdefault(key, Standing(0, f.time))
                standing.count += 1
                standing.since = f.time
            elif key in self.faults and self.faults[key].since is not None:
                standing = self.faults[key]
                standing.stood_s += f.time - (standing.since or f.time)
                standing.since = None

    def stood_s(self, standing: Standing) -> float:
        """Total time raised, up to the last row for one that still stands."""
        now = standing.since if self.last is None else self.last
        return standing.stood_s + (0.0 if standing.since is None else (now or 0) - standing.since)


def summary_table(summary: Summary) -> Table:
    """One line a fault and subject, in the order in which they were first said."""
    if summary.first is None or summary.last is None:
        title = "No rows in this time"
    else:
        span = f"{iso(summary.first)} to {iso(summary.last)}"
        title = f"{summary.rows} rows, {span}, {len(summary.faults)} kinds of findings"
    rows = [
        (fault, subject, str(s.count), iso(s.first), duration(summary.stood_s(s)),
         "still stands" if s.since is not None else "")
        for (fault, subject), s in sorted(summary.faults.items(), key=lambda one: one[1].first)
    ]  # fmt: skip
    return plain_table(title, ("fault", "subject", "times#", "first", "stood#", ""), rows)


def duration(seconds: float) -> str:
    """In the two largest units that fit."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    if whole < 86_400:
        return f"{whole // 3600} h {whole % 3600 // 60} min"
    return f"{whole // 86_400} d {whole % 86_400 // 3600} h"
