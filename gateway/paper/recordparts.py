"""The parts of a printed record: one transducer, and the combined feedback."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from .figures import (
    NONE,
    counted,
    figure,
    fixed,
    moment,
    places_for,
    places_to,
    plain,
    plus_minus,
    signs,
    with_unit,
)  # fmt: skip

Body = Mapping[str, Any]
SOURCES = {"input": "at the input", "controller": "shown by the controller"}


def transducer(one: Body, record: Body) -> dict[str, Any]:
    """One transducer with its tables and its plot."""
    unit = one["unit"]
    found = {"as found": one["as_found"], "as left": one["as_left"]}
    return {
        "id": one["id"],
        "location": one["location"],
        "facts": [
            ["Range", f"{figure(one['range'][0])} to {figure(one['range'][1])} {unit}"],
            ["Signal", one["signal"]],
            ["Tolerance", f"± {figure(one['tolerance'])} % of span"],
            ["Calibrated before", one["calibrated"] or "not given"],
            ["Ports", one["ports"] or NONE],
        ],
        "tables": [_table(name, part, one) for name, part in found.items() if part],
        "adjustment": _adjustment(one, record),
        "figures": _figures(found),
        "proposals": _proposals(one, found),
        "plot": _plot(one["tolerance"], found),
    }


def _table(name: str, part: Body, one: Body) -> dict[str, Any]:
    """All readings of one part; the controller's columns only where it says something."""
    ours, theirs = part["input"], part["controller"]
    points = ours["points"] if ours else []
    value = {p["step"]: p for p in theirs["points"]} if theirs else {}
    rows = [_row(p, value.get(p["step"]), one["range"], controller=bool(value)) for p in points]
    head = ["% of span", "", f"applied {one['unit']}", f"signal {one['signal_unit']}", "counts",
            f"reads {one['unit']}", "error %"]  # fmt: skip
    head += [f"controller {one['unit']}", "error %"] if value else []
    return {
        "name": name,
        "head": [*head, ""],
        "rows": rows,
        "verdicts": [
            [SOURCES[source], part[source]["verdict"]] for source in SOURCES if part[source]
        ],
        "forced": [f"{p['step']}: {p['forced']}" for p in points if p["forced"]],
        "skipped": ours["skipped"] if ours else 0,
        "limited": _limited(points),
    }


def _limited(points: Sequence[Body]) -> str:
    """Where an error could not have shown in full, and what the others say; "" where nowhere."""
    ends = {p["point"]: p.get("beyond") for p in points if p["limited"]}
    if not ends:
        return ""
    told = [_beyond(point, beyond) for point, beyond in sorted(ends.items())]
    return " ".join([*told, "Such readings count neither for zero and span nor for linearity."])


def _beyond(point: float, beyond: Body | None) -> str:
    words = f"At {figure(point, 4)} % the input ends, and an error beyond it does not show"
    if not beyond:
        return f"{words}."
    by = plus_minus(beyond["error"], beyond["expanded"], "%")
    return f"{words}: by the line through the other readings it is {by} there."


def _shown_error(point: Body, middle: float) -> str:
    """With the side on which the true error lies, at an end of the input."""
    error = fixed(point["error"])
    return error if not point["limited"] else f"{'≥' if point['shown'] > middle else '≤'} {error}"


def _row(
    point: Body, value: Body | None, range_: Sequence[float], *, controller: bool
) -> dict[str, Any]:
    way = {"up": "↑", "down": "↓"}[point["direction"]]
    places, middle = places_for(range_), sum(range_) / 2
    cells = [
        figure(point["point"], 4),
        "bridged" if point["kind"] == "ports bridged" else way,
        plain(point["applied"], places),
        plain(point["electrical"], 3),
        counted(point["counts"]),
        plain(point["shown"], places),
        _shown_error(point, middle),
    ]
    verdicts = [point["verdict"]]
    if controller:
        ends = (
            {**value, "limited": point["limited"] and value["verdict"] != "fail"} if value else {}
        )
        cells += (
            [plain(ends["shown"], places), _shown_error(ends, middle)] if ends else [NONE, NONE]
        )
        verdicts += [value["verdict"]] if value else []
    order = ("pass", "not proved", "fail")
    worst = max(verdicts, key=order.index)
    return {
        "cells": cells,
        "verdict": "input ends" if point["limited"] and worst == "pass" else worst,
    }


def _adjustment(one: Body, record: Body) -> list[str]:
    made = [n for n in one["adjustments"] if n["made"]]
    if made:
        zone = record["site"]["timezone"]
        return [
            f"Adjusted {moment(n['time'], zone)} by {n['person']}: {n['notes'] or 'no notes'}"
            for n in made
        ]
    return ["A look only: nothing was to be adjusted."] if record["only_as_found"] else [
        "No adjustment was made: as left is as found."
    ]  # fmt: skip


def _figures(found: Mapping[str, Any]) -> dict[str, Any]:
    """Accuracy figures side by side: a column for each part and source."""
    columns = [
        (name, source, part[source])
        for name, part in found.items()
        if part
        for source in SOURCES
        if part[source]
    ]
    rows = [
        ("Largest error", [_percent(_worst(c)) for *_, c in columns]),
        ("Largest average error", [_percent(c["figures"]["measured_error"])
                                              for *_, c in columns]),
        ("Hysteresis with dead band", [_percent(c["figures"]["hysteresis"], sign=False)
                                       for *_, c in columns]),
        ("Repeatability", [_percent(c["figures"]["repeatability"], sign=False)
                           for *_, c in columns]),
        ("Linearity, terminal based", [_percent(c["figures"]["terminal_based"], sign=False)
                                       for *_, c in columns]),
        ("Linearity, zero based", [_percent(c["figures"]["zero_based"], sign=False)
                                   for *_, c in columns]),
        ("Linearity, independent", [_percent(c["figures"]["independent"], sign=False)
                                    for *_, c in columns]),
        ("Zero error", [_part(c, "zero") for *_, c in columns]),
        ("Span error", [_part(c, "span") for *_, c in columns]),
        ("Uncertainty of a reading", [_percent(c["expanded"], sign=False) for *_, c in columns]),
        ("Test uncertainty ratio; rule", [f"{figure(c['ratio'], 3)}; {c['rule']}"
                                         for *_, c in columns]),
    ]  # fmt: skip
    return {
        "head": [f"{name}, {SOURCES[source]}" for name, source, _ in columns],
        "rows": [[label, *cells] for label, cells in rows if any(c != NONE for c in cells)],
    }


def _worst(one: Body) -> float:
    return max((float(p["error"]) for p in one["points"]), key=abs)


def _percent(value: float | None, *, sign: bool = True) -> str:
    if value is None:
        return NONE
    return f"{fixed(value) if sign else plain(value)} %"


def _part(one: Body, name: str) -> str:
    line = one["line"]
    return plus_minus(line[name]["error"], line[name]["expanded"], "%") if line else NONE


def _proposals(one: Body, found: Mapping[str, Any]) -> list[str]:
    """What to enter, where the last reading says that something should be done."""
    last = found["as left"] or found["as found"]
    lines = []
    if last["input"] and last["input"]["adjust"] and last["input"]["proposal"]:
        p, su = last["input"]["proposal"], one["signal_unit"]
        lines.append(
            f"To read right at the transducer: at 0 % bring the signal down by "
            f"{fixed(p['zero_signal'], 3)} {su}, then at 100 % by {fixed(p['span_signal'], 3)} "
            f"{su} more. Or enter a range of {figure(p['range_low'])} to "
            f"{figure(p['range_high'])} {one['unit']} for this input in the controller."
        )
    theirs = last["controller"]
    if theirs and theirs["adjust"] and not (last["input"] and last["input"]["adjust"]):
        ends = " to ".join(figure(end) for end in one["range"])
        lines.append(
            f"The input reads right, the controller does not: see that its settings for this input "
            f"are {signs(ends)} {one['unit']} and {one['signal']}."
        )
    return [*lines, *(["A person enters these, and checks again."] if lines else [])]


def _plot(tolerance: float, found: Mapping[str, Any]) -> dict[str, Any]:
    """Errors over % of span. series: a name and points (x, y)."""
    judged = [
        (name, source, part[source])
        for name, part in found.items()
        for source in SOURCES
        if part and part[source]
    ]
    series = [_series(name, source, one, found) for name, source, one in judged]
    errors = [abs(p["error"]) for _, _, one in judged for p in one["points"]]
    most = max([1.25 * tolerance, *(1.1 * e for e in errors)])
    return {
        "tolerance": tolerance,
        "most": most,
        "most_label": f"{most:.0f} %" if most >= 10 else f"{figure(most, 2)} %",
        "tolerance_label": f"{figure(tolerance, 3)} %",
        "series": [one for one in series if one["points"]],
    }


def _series(name: str, source: str, one: Body, found: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "name": f"{name}, {SOURCES[source]}",
        "points": [
            [p["point"], p["error"]]
            for p in one["points"]
            if p["kind"] == "point" and not p["limited"]
        ],
        "hollow": name == "as found" and bool(found["as left"]),
        "square": source == "controller",
    }


def combined(record: Body) -> dict[str, Any]:
    """The combined feedback, line by line, and what it proves."""
    part, unit = record["combined"], record["unit"]
    places = places_to(part["tolerance"])
    return {
        "verdict": part["verdict"],
        "tolerance": with_unit(part["tolerance"], unit, 4),
        "heads": _heads(part["lines"], unit),
        "lines": [_line(line, places) for line in part["lines"]],
        "proofs": [[p["name"], p["verdict"], _proved(p, record)] for p in part["proofs"]],
        "forced": [f"{n['step']}: {n['forced']}" for n in part["lines"] if n["forced"]],
    }


def _proved(proof: Body, record: Body) -> str:
    """The answer; what stands above as wrong is not said twice."""
    above = any(one["words"] in proof["words"] for one in record["mistakes"])
    return "No: set or wired wrongly, as told above." if above else signs(proof["words"])


def _heads(lines: Sequence[Body], unit: str) -> list[str]:
    inputs = lines[0]["inputs"] if lines else []
    return [
        *(f"{one['id']} {one.get('unit', '')}" for one in inputs),
        *(f"{name} {unit}" for name in ("expected", "we read", "feedback")),
    ]


def _line(line: Body, places: int) -> dict[str, Any]:
    cells = []
    for one in line["inputs"]:
        shown = one["ours"] if one["controller"] is None else one["controller"]
        cells.append(f"{figure(one['applied'], 4)} → {plain(shown, _like(one['applied'], places))}")
    cells += [plain(line[name], places) for name in ("expected", "ours", "feedback")]
    return {"cells": cells, "verdict": line["verdict"] or "told only"}


def _like(applied: float, places: int) -> int:
    """Digits after the point for what is shown beside what was applied: at least as many."""
    return max(places, len(f"{applied:.9g}".partition(".")[2]))
