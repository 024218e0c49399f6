"""Benchmark (b) in a few lines for the README: by kind and size of the injected fault."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from .measuredtables import at, during, false, false_alarms, first, right
from .summarytables import markdown

Result = Mapping[str, Any]
NAMES = ("fixed, tuned", "Page-Hinkley")
HEAD = (
    "injected into recordings", "cases", "noticed", "right sensor first", "right fault first",
    "right fault in the run", "fixed limit", "Page-Hinkley",
)  # fmt: skip
HARD = ("dropout", "open_loop", "stuck")
TEXTURE = ("noise", "spikes")


def measured_summary(results: Iterable[Result]) -> str:
    """Two Markdown tables: what was injected, and what was said without any fault."""
    cases = [r for r in results if r["part"] == "injected"]
    groups: dict[str, list[Result]] = {}
    for r in sorted(cases, key=_order):
        if r["events"]:
            groups.setdefault(_group(r), []).append(r)
    wrong = [("Loopwitness", sum(bool(false(r)) for r in cases))]
    wrong += [(n, sum(bool(false_alarms(r, n)) for r in cases)) for n in NAMES]
    quiet = [(name, f"{n} of {len(cases)}") for name, n in wrong]
    return "\n\n".join([
        markdown(HEAD, [[name, *_row(group)] for name, group in groups.items()]),
        markdown(("cases with anything said where nothing was wrong", "cases"), quiet),
    ])  # fmt: skip


def _group(r: Result) -> str:
    label, size = r["label"], r["size"] or 0
    if label.startswith(HARD):
        return "wires, silence, stuck"
    if label.startswith(TEXTURE):
        return "noise, spikes"
    return f"bias, drift, gain of {size:g} deviations"


def _order(r: Result) -> tuple[int, float]:
    label = r["label"]
    return (0 if label.startswith(HARD) else 1 if label.startswith(TEXTURE) else 2), -(
        r["size"] or 0
    )


def _row(group: Sequence[Result]) -> list[str]:
    n = len(group)
    events = [(r, r["events"][0]) for r in group]
    firsts = [(e, f) for r, e in events if (f := first(r, e))]
    theirs = [
        sum(any(e["start"] <= t <= e["end"] for t in r["rivals"].get(name, [])) for r, e in events)
        for name in NAMES
    ]
    return [
        str(n),
        _share(len(firsts), n),
        _share(sum(at(e, f[2]) for e, f in firsts), n),
        _share(sum(right(e, f) for e, f in firsts), n),
        _share(sum(any(right(e, f) for f in during(r, e)) for r, e in events), n),
        *(_share(hit, n) for hit in theirs),
    ]


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.0f} %"
