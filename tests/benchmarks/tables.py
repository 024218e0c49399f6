"""Results as tables in plain text."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from statistics import median
from typing import Any

from gateway.diagnose.catalogue.faults import CATALOGUE

Result = Mapping[str, Any]


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Columns set to the right but for the first and those that are words (head ends in ".")."""
    body = [list(row) for row in rows]
    widths = [max(len(str(r[k])) for r in [list(head), *body]) for k in range(len(head))]
    left = [k == 0 or h.endswith(".") for k, h in enumerate(head)]

    def line(cells: Sequence[str]) -> str:
        parts = [
            str(c).ljust(w) if to_left else str(c).rjust(w)
            for c, w, to_left in zip(cells, widths, left, strict=True)
        ]
        return "  ".join(parts).rstrip()

    return "\n".join([line(head), line(["-" * w for w in widths]), *(line(r) for r in body)])


def by_kind(results: Iterable[Result]) -> str:
    """One row a kind of fault."""
    groups: dict[str, list[Result]] = {}
    for r in results:
        groups.setdefault(r["kind"], []).append(r)
    return table(HEAD, [[kind, *_row(group)] for kind, group in groups.items()])


def by_loop(results: Iterable[Result]) -> str:
    """One row a loop and kind of fault."""
    groups: dict[tuple[str, str], list[Result]] = {}
    for r in results:
        groups.setdefault((r["loop"], r["kind"]), []).append(r)
    rows = [[f"{loop} {kind}", *_row(group)] for (loop, kind), group in sorted(groups.items())]
    return table(HEAD, rows)


def by_size(results: Iterable[Result]) -> str:
    """One row a kind and size, for kinds tried at several."""
    groups: dict[tuple[str, float], list[Result]] = {}
    for r in results:
        groups.setdefault((r["kind"], r["factor"]), []).append(r)
    sized = {kind for kind, factor in groups if factor != 1.0}
    rows = [
        [f"{kind} x{factor:g}", *_row(group)]
        for (kind, factor), group in sorted(groups.items())
        if kind in sized
    ]
    return table(HEAD, rows)


RIVALS = {"5 % of span": "5 %", "fixed, tuned": "fixed", "Page-Hinkley": "P-H", "ADWIN": "ADWIN"}
HEAD = (
    "fault", "runs", "detected", "place", "1st right", "or rival", "in run", "delay", "right at",
    "best", *RIVALS.values(), "delay", "also said.",
)  # fmt: skip
KEY = """\
detected: any finding after the onset; place: the first one names the faulty part; 1st right: the
first one is the right fault there; or rival: or lists it among the causes that look alike; in run:
it came within the run; delay: median to the first, and to the right one; best: median of what a
CUSUM that knew the shift would need. 5 %, fixed, P-H, ADWIN: detected by the others; delay: of
"fixed"."""


def _row(group: Sequence[Result]) -> list[str]:
    n = len(group)
    firsts = [(r, f) for r in group if (f := first(r))]
    right = [f for r in group if (f := _first_right(r))]
    place = sum(r["subject"] in (f["transducer"], f["subject"]) for r, f in firsts)
    first_right = sum(is_right(r, f) for r, f in firsts)
    listed = sum(is_right(r, f) or _lists(r, f) for r, f in firsts)
    theirs = {name: [t for r in group for t in _alarms(r, name)[:1]] for name in RIVALS}
    expected = group[0]["expected"]
    built = "" if expected in CATALOGUE else "(not in catalogue) "
    return [
        str(n), _share(len(firsts), n), _share(place, n), _share(first_right, n),
        _share(listed, n), _share(len(right), n),
        _time([f["at"] for _, f in firsts]), _time([f["at"] for f in right]),
        _time([r["best_s"] for r in group if r["best_s"] is not None]),
        *(_share(len(times), n) for times in theirs.values()), _time(theirs["fixed, tuned"]),
        built + _others(group),
    ]  # fmt: skip


def _alarms(r: Result, rival: str) -> list[float]:
    return [when for name, when, _ in r["rivals"] if name == rival]


def _raised(r: Result) -> list[Mapping[str, Any]]:
    return [f for f in r["findings"] if f["phase"] == "raised"]


def is_right(r: Result, f: Mapping[str, Any]) -> bool:
    """Whether a finding is the fault that was switched on."""
    return bool(f["fault"] == r["expected"] and f["subject"] == r["subject"])


def _lists(r: Result, f: Mapping[str, Any]) -> bool:
    """Whether a finding at the right place names the fault among its rivals."""
    return r["subject"] in (f["transducer"], f["subject"]) and r["expected"] in f["rivals"]


def first(r: Result) -> Mapping[str, Any] | None:
    """The first finding after the onset; of several at once the right one."""
    raised = _raised(r)
    at_once = [f for f in raised if f["at"] == raised[0]["at"]]
    right = [f for f in at_once if is_right(r, f)]
    return next(iter(right or raised), None)


def _first_right(r: Result) -> Mapping[str, Any] | None:
    return next((f for f in _raised(r) if is_right(r, f)), None)


def _others(group: Sequence[Result]) -> str:
    """What else was said, by how many runs."""
    said: Counter[str] = Counter()
    for r in group:
        wrong = set()
        for f in _raised(r):
            here = f["subject"] == r["subject"]
            if f["fault"] != r["expected"] or not here:
                wrong.add(f["fault"] + ("" if here or f["subject"] == r["loop"] else "@other"))
        said.update(wrong)
    return ", ".join(f"{name} {n}" for name, n in said.most_common(4))


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.0f}%"


def _time(seconds: Sequence[float]) -> str:
    if not seconds:
        return "-"
    s = median(seconds)
    return f"{s:.0f} s" if s < 100 else f"{s / 60:.1f} min" if s < 6000 else f"{s / 3600:.1f} h"
