"""A finding: one diagnosed fault with its evidence, and what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal


class Status(StrEnum):
    """The four categories of NAMUR NE 107 (names from secondary texts), and "good"."""

    GOOD = "good"
    FAILURE = "failure"
    FUNCTION_CHECK = "function check"
    OUT_OF_SPECIFICATION = "out of specification"
    MAINTENANCE_REQUIRED = "maintenance required"


SubjectKind = Literal["controller", "transducer", "loop"]


@dataclass(frozen=True)
class Finding:
    """One fault on one subject. `since` and `time` are seconds since 1970 UTC.

    `since`: when it was raised; `time`: when this phase was reported. `evidence`: the numbers
    that convinced it, each name ending in its unit. `rivals`: identifiers of other faults that
    would look alike, most likely first. `loops`: every loop it touches.
    """

    fault: str
    kind: SubjectKind
    subject: str
    phase: Literal["raised", "cleared"]
    time: float
    since: float
    status: Status
    confidence: float
    title: str
    evidence: Mapping[str, float | str]
    rivals: tuple[str, ...]
    next_check: str
    consequence: str
    transducer: str | None
    loops: tuple[str, ...]

    @property
    def id(self) -> str:
        """Stable name: the same finding gets the same one in replay and after a restart."""
        return f"{self.fault}:{self.subject}:{round(self.since * 1000)}"
