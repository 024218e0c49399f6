"""Benchmark (b): results as tables, by fault, size and recording; never one pooled figure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from statistics import median
from typing import Any

from .tables import table
from .trials import RIGHT, SLOW_S

Result = Mapping[str, Any]
LATE_S = 900.0
"""Seconds of the gateway's clock after the end of a fault in which an alarm is not called false."""
LINK = ("no-communication", "bad-reply")
NEAR_S = 300.0
"""The same after something in the recording itself that may be called a fault."""


def measured_report(results: Sequence[Result]) -> str:
    """All tables for the parts that are there."""
    parts: dict[str, list[Result]] = {}
    for r in results:
        parts.setdefault(r["part"], []).append(r)
    out = []
    if found := parts.get("injected"):
        out += [_injected(found), _delays(found), _rivals(found), _controls(found)]
    if found := parts.get("faultfree"):
        out.append(_false(found, "Fault-free recordings, whole, nothing learnt before"))
    if found := parts.get("real"):
        out.append(_events(found, "Sensors that really failed"))
    if found := parts.get("published"):
        out.append(_events(found, "Published faults (gross: a check that it works at all)"))
    if found := parts.get("process"):
        out.append(_false(found, "Process events: no sensor failed here"))
        out.append(_events(found, "Invented series that hold what looks like a sensor's fault"))
    return "\n\n".join(out)


def raised(r: Result) -> list[tuple[float, str, str]]:
    """Time, fault and subject of what ours said within the trial."""
    return [(t, fault, who) for t, phase, fault, who in r["said"] if phase == "raised" and t >= 0]


def during(r: Result, event: Mapping[str, Any]) -> list[tuple[float, str, str]]:
    """What was raised while a fault was there."""
    late = LATE_S / r["stretch"] + 2 * r["pace"]
    return [f for f in raised(r) if event["start"] <= f[0] <= event["end"] + late]


def at(event: Mapping[str, Any], who: str) -> bool:
    """Whether a subject is the faulty sensor, or its logger."""
    return who in event["subjects"] or who.removeprefix("logger-") in event["subjects"]


def right(event: Mapping[str, Any], found: tuple[float, str, str]) -> bool:
    """Right fault at the right sensor."""
    return found[1] in RIGHT.get(event["fault"], ()) and at(event, found[2])


def first(r: Result, event: Mapping[str, Any]) -> tuple[float, str, str] | None:
    """The first finding; of several at once the right one, else one at the right place."""
    found = during(r, event)
    at_once = [f for f in found if f[0] == found[0][0]]
    best = [f for f in at_once if right(event, f)] or [f for f in at_once if at(event, f[2])]
    return next(iter(best or at_once), None)


def false(r: Result) -> list[tuple[float, str, str]]:
    """What ours said where there was no fault; cells that are empty in a recording are no reply."""
    covered = [f for event in r["events"] for f in during(r, event)]
    near = NEAR_S / r["stretch"]
    return [
        f for f in raised(r)
        if f not in covered
        and (f[1] not in LINK or r["part"] == "injected")
        and not any(0 <= f[0] - t <= near for t in r["excused"])
    ]  # fmt: skip


def false_alarms(r: Result, name: str) -> int:
    """The same of a rival."""
    late, near = LATE_S / r["stretch"] + 2 * r["pace"], NEAR_S / r["stretch"]
    return sum(
        t >= 0
        and not any(e["start"] <= t <= e["end"] + late for e in r["events"])
        and not any(0 <= t - s <= near for s in r["excused"])
        for t in r["rivals"].get(name, [])
    )


def _grid(
    results: Iterable[Result], title: str, cell: Any, head: Sequence[str] = ("fault", "size")
) -> str:
    """Rows: fault and size; columns: recordings."""
    groups: dict[tuple[str, float], dict[str, list[Result]]] = {}
    for r in results:
        if r["events"]:
            groups.setdefault((r["label"], r["size"] or 0), {}).setdefault(r["base"], []).append(r)
    bases = sorted({base for group in groups.values() for base in group})
    rows = [
        [label, f"{size:g}" if size else "", *(cell(group.get(b, [])) for b in bases)]
        for (label, size), group in sorted(groups.items())
    ]
    return f"{title}\n{table([*head, *bases], rows)}"


def _injected(results: Sequence[Result]) -> str:
    def cell(group: Sequence[Result]) -> str:
        if not group:
            return "-"
        firsts = [(r["events"][0], first(r, r["events"][0])) for r in group]
        in_run = sum(any(right(r["events"][0], f) for f in during(r, r["events"][0]))
                     for r in group)  # fmt: skip
        counts = (
            sum(f is not None for _, f in firsts),
            sum(f is not None and at(e, f[2]) for e, f in firsts),
            sum(f is not None and right(e, f) for e, f in firsts),
            in_run,
        )
        return " ".join(map(str, counts)) + f" /{len(group)}"

    title = (
        "Injected faults, ours: detected, first at the right sensor, right fault first, right "
        "fault in the run / cases.\nSizes in robust standard deviations of the pair's difference "
        "(noise and spikes: of the sensor's fast noise)"
    )
    return _grid(results, title, cell)


def _delays(results: Sequence[Result]) -> str:
    def cell(group: Sequence[Result]) -> str:
        found = [
            (f[0] - e["start"]) / r["pace"]
            for r in group for e in r["events"] if (f := first(r, e))
        ]  # fmt: skip
        return f"{median(found):.0f}" if found else "-"

    paces = {r["base"]: f"{r['base']} {r['pace']:g} s" for r in results}
    title = "Median delay of the first finding, in rows (" + ", ".join(paces.values()) + ")"
    return _grid(results, title, cell)


def _rivals(results: Sequence[Result]) -> str:
    names = next(iter(results))["rivals"]

    def cell(group: Sequence[Result]) -> str:
        out = []
        for name in names:
            hit = 0
            for r in group:
                (e,) = r["events"]
                hit += any(e["start"] <= t <= e["end"] for t in r["rivals"][name])
            out.append(hit)
        return " ".join(map(str, out)) + f" /{len(group)}" if group else "-"

    title = "Injected faults, detected by the others: " + ", ".join(names) + " / cases"
    return _grid(results, title, cell)


def _controls(results: Sequence[Result]) -> str:
    """Before the fault, and in the cases without one."""
    rows = []
    names = list(next(iter(results))["rivals"])
    for base in sorted({r["base"] for r in results}):
        mine = [r for r in results if r["base"] == base]
        controls = [r for r in mine if not r["events"]]
        said = Counter(f"{f[1]} {f[2]}" for r in mine for f in false(r))
        rows.append([
            base, str(len(controls)), str(sum(bool(false(r)) for r in controls)), str(len(mine)),
            str(sum(bool(false(r)) for r in mine)),
            *(str(sum(bool(false_alarms(r, n)) for r in mine)) for n in names),
            ", ".join(f"{k} {n}" for k, n in said.most_common(5)),
        ])  # fmt: skip
    title = (
        "False findings in the injected cases (windows of one recording overlap: see the whole\n"
        "recordings for rates): controls with any; cases with any before the fault; of the others"
    )
    head = ["recording", "controls", "with", "cases", "with", *names, "said."]
    return f"{title}\n{table(head, rows)}"


def _false(results: Sequence[Result], title: str) -> str:
    groups: dict[tuple[str, str], list[Result]] = {}
    for r in results:
        pace = f"{r['pace']:g} s" + (" x10" if r["stretch"] != 1 else "")
        name = (
            r["key"]
            if r["part"] == "faultfree"
            else r["key"].partition("_")[0] + " " + ", ".join(r["names"])
        )
        groups.setdefault((name, pace), []).append(r)
    rows, fast, slow = [], [0.0, 0], [0.0, 0]
    for (name, pace), mine in groups.items():
        hours = sum(r["watched_s"] for r in mine) / 3600
        wrong = [f for r in mine for f in false(r)]
        total = slow if mine[0]["pace"] > SLOW_S else fast
        total[0] += hours
        total[1] += len(wrong)
        said = Counter(f"{f[1]} {f[2]}" for f in wrong)
        rows.append([
            name, pace, str(len(mine)), f"{hours:.2f}", str(len(wrong)),
            f"{len(wrong) / hours:.3g}",
            ", ".join(f"{k} {n}" for k, n in said.most_common(5)),
        ])  # fmt: skip
    head = ("recording", "rows", "runs", "hours", "false", "an hour", "said.")
    sums = "; ".join(
        f"{name}: {n:g} in {hours:.1f} h = {n / hours:.3g} an hour"
        for name, (hours, n) in (("at 10 s or faster", fast), ("slower", slow))
        if hours
    )
    return f"{title}\n{table(head, rows)}\n{sums}"


def _events(results: Sequence[Result], title: str) -> str:
    rows = []
    for r in results:
        for e in r["events"]:
            found = first(r, e)
            hit = [n for n, times in r["rivals"].items()
                   if any(e["start"] <= t <= e["end"] for t in times)]  # fmt: skip
            rows.append([
                r["key"], e["fault"], f"{(e['end'] - e['start']) / 3600:.2f}",
                f"{found[1]} {found[2]}" if found else "-",
                "yes" if any(right(e, f) for f in during(r, e)) else "",
                f"{(found[0] - e['start']) / 3600:.2f}" if found else "-", ", ".join(hit),
            ])  # fmt: skip
    out = table(
        ("recording", "fault.", "hours", "first said.", "right", "delay h", "others."), rows
    )
    wrong = [
        f"  {r['key']}: {len(bad)} in {r['watched_s'] / 3600:.1f} h; "
        + ", ".join(f"{k} {n}" for k, n in Counter(f"{f[1]} {f[2]}" for f in bad).most_common(5))
        + "; others " + ", ".join(f"{n} {false_alarms(r, n)}" for n in r["rivals"])
        for r in results if (bad := false(r))
    ]  # fmt: skip
    if wrong:
        wrong.insert(0, "said where there was no fault:")
    return "\n".join([title, out, *wrong])
