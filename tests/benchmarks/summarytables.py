"""The few lines that the README shows: by group of faults, from the results of single cases.

Counted are hard faults, and shifts and drifts of at least twice the size that matters (that is,
from one tolerance on). Some faults are electrically the same until somebody looks or something
moves; `ALIKE` says which, and why.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from statistics import median
from typing import Any

from gateway.diagnose.catalogue.faults import CATALOGUE

from .tables import Result, first, is_right

TWICE = 2.0
TOO_SMALL = {("hunting", 0.25): "its swing stays below the 2 % of span from which it is said"}
"""Kinds and multiples of their usual size that are left out."""
ALIKE: dict[str, tuple[tuple[str, ...], str]] = {
    "zero-shift": (("zero-drift", "liquid-in-tube"), "a zero that jumps reads like water"),
    "liquid-in-tube": (("liquid-in-tube", "zero-drift"), "water reads like a zero that jumped"),
    "span-drift": (
        ("span-drift", "zero-drift", "liquid-in-tube"),
        "at one pressure a wrong span is a wrong zero",
    ),
    "reversed-polarity": (
        ("reversed-polarity", "open-circuit"), "an input that ends at 0 shows 0 for both",
    ),
    "ports-swapped": (
        ("ports-swapped", "open-circuit", "tube-off"),
        "a range without a negative side shows nothing",
    ),
    "tube-off": (("tube-off", "open-circuit"), "without a live zero both read nothing"),
    "percent-for-value": (
        ("percent-for-value", "live-zero-mismatch"), "on -25 to 100 Pa both are the same line",
    ),
    "intermittent-wiring": (
        ("intermittent-wiring", "open-circuit"), "the first long break is an open circuit",
    ),
    "leak": (("setpoint-not-held", "output-saturated"), "both are true"),
    "filter-blocked": (("output-saturated", "setpoint-not-held"), "both are true"),
}  # fmt: skip
GROUPS = {
    "link": "Link", "wire": "Wires", "pneumatic": "Tubes", "transducer": "Transducer",
    "setting": "Settings", "loop": "Loop",
}  # fmt: skip
HEAD = (
    "faults", "runs", "noticed", "right part", "of three", "right fault first", "or alike",
    "median delay", "times optimum", "fixed limit", "its delay", "Page-Hinkley",
)  # fmt: skip


def summary(results: Iterable[Result]) -> str:
    """A Markdown table, one line a group."""
    counted = [r for r in results if counts(r)]
    groups = {g: [r for r in counted if CATALOGUE[r["expected"]].group == g] for g in GROUPS}
    rows = [[GROUPS[g], *_row(rs)] for g, rs in groups.items() if rs]
    if counted:
        rows.append(["all", *_row(counted)])
    return markdown(HEAD, rows)


def counts(r: Result) -> bool:
    """Whether a case is hard, or large enough."""
    if (r["kind"], r["factor"]) in TOO_SMALL:
        return False
    return r["significance"] is None or r["significance"] >= TWICE


def markdown(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Columns set to the right but for the first."""
    marks = ["---", *["---:"] * (len(head) - 1)]
    return "\n".join(f"| {' | '.join(line)} |" for line in [head, marks, *rows])


def alike_lines() -> str:
    """What counts as alike, and why."""
    lines = [f"- {kind}: {', '.join(those)}: {why}" for kind, (those, why) in ALIKE.items()]
    return "\n".join(["Counted as alike:", *lines])


def is_alike(r: Result, f: Mapping[str, Any]) -> bool:
    """Whether a finding on the right subject is the fault, or one that nothing tells from it."""
    those, _ = ALIKE.get(r["kind"], ((r["expected"],), ""))
    return f["subject"] == r["subject"] and f["fault"] in those


def _row(rs: Sequence[Result]) -> list[str]:
    firsts = [(r, f) for r in rs if (f := first(r))]
    placed = [(r, f) for r, f in firsts if _at(r, f)]
    three = [r for r in rs if _has_witness(r)]
    optimum = [f["at"] / r["best_s"] for r, f in placed if r["best_s"]]
    theirs = {
        n: [t for r in rs for t in _alarms(r, n)[:1]] for n in ("fixed, tuned", "Page-Hinkley")
    }
    return [
        str(len(rs)),
        _share(len(firsts), len(rs)),
        _share(len(placed), len(rs)),
        _share(sum(_has_witness(r) for r, _ in placed), len(three)),
        _share(sum(is_right(r, f) for r, f in firsts), len(rs)),
        _share(sum(is_alike(r, f) for r, f in firsts), len(rs)),
        _time([f["at"] for _, f in firsts]),
        f"{median(optimum):.1f}" if optimum else "-",
        _share(len(theirs["fixed, tuned"]), len(rs)),
        _time(theirs["fixed, tuned"]),
        _share(len(theirs["Page-Hinkley"]), len(rs)),
    ]


def _at(r: Result, f: Mapping[str, Any]) -> bool:
    return r["subject"] in (f["transducer"], f["subject"])


def _has_witness(r: Result) -> bool:
    """A third transducer measures the same pressure."""
    return bool(r["loop"] == "exhaust-plenum" and r["subject"].startswith("dp-"))


def _alarms(r: Result, rival: str) -> list[float]:
    return [when for name, when, _ in r["rivals"] if name == rival]


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "-"


def _time(seconds: Sequence[float]) -> str:
    if not seconds:
        return "-"
    s = median(seconds)
    return f"{s:.0f} s" if s < 100 else f"{s / 60:.1f} min"
