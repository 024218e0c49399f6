"""What a drill found: one line of the table that `python -m tests.drills` prints."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from statistics import median

HEADS = ("broken", "times", "what was made", "made", "lost", "twice", "back after, s", "remarks")


@dataclass
class Outcome:
    """One kind of record through one drill.

    made: records that must arrive. lost: those that never did, what was not yet committed when a
    process was killed left out. twice: delivered more than once. back_s: times until all was as
    before, one for each break.
    """

    broken: str
    times: int
    what: str
    made: int
    lost: int
    twice: int | None
    back_s: Sequence[float] = ()
    remarks: list[str] = field(default_factory=list)

    def cells(self) -> tuple[str, ...]:
        """As the table shows it; None is "cannot be seen"."""
        back = ""
        if self.back_s:
            back = f"{median(self.back_s):.1f}"
            back += f" ({max(self.back_s):.1f} at most)" if len(self.back_s) > 1 else ""
        twice = "not seen" if self.twice is None else str(self.twice)
        return (
            self.broken, str(self.times), self.what, f"{self.made}", str(self.lost), twice, back,
            "; ".join(self.remarks),
        )  # fmt: skip


def table(outcomes: Iterable[Outcome]) -> str:
    """Plain columns, for any terminal."""
    rows = [HEADS, *(one.cells() for one in outcomes)]
    widths = [max(len(row[k]) for row in rows) for k in range(len(HEADS))]
    rows.insert(1, tuple("-" * width for width in widths))
    lines = ("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)) for row in rows)
    return "\n".join(line.rstrip() for line in lines)
