"""From a raised fault to a finding that a person can act on."""

from __future__ import annotations

import re
from collections.abc import Mapping
from math import isnan

import numpy as np

from gateway.measure.columns import Columns
from gateway.plant.site import Site
from gateway.plant.units import from_pa

from .catalogue.entry import Entry
from .catalogue.faults import CATALOGUE
from .consequence import about, numbers, of_evidence, said, sentence, step_of, ways
from .detector import Condition
from .findings import Finding

_CASE = re.compile(r"(\[(?P<case>[^]]+)\] )?(?P<text>.*)", re.DOTALL)
_NAME = re.compile(r"{(\w+)}")
METER_STEP = 0.01
"""Milliamps or volts that a hand-held meter tells apart."""
GIVEN = frozenset({"door_allows"})
"""Evidence that no transducer has measured: rounded to its steps, a door would be allowed more."""


def finding(
    site: Site,
    columns: Columns,
    entry: Entry,
    condition: Condition,
    *,
    row: int,
    column: int,
    time: float,
) -> Finding:
    """The finding raised at one row of one subject."""
    subject = _ids(columns, entry)[column]
    transducer = _transducer(columns, entry, condition, row, column)
    evidence = _evidence(site, entry, condition, row, column, subject, transducer)
    loops = _loops(site, entry, subject)
    mine = transducer if entry.kind == "transducer" else None
    pascals = _pascals(condition, row, column)
    effect, tells = _effect(site, entry, loops, mine, pascals)
    evidence |= effect
    words = _Words(evidence, _steps(site, loops, mine), rest=_at_rest(site, mine))
    words |= _sort(site, mine)
    words |= ways(site.loops[loops[0]] if loops else None, low=_low(entry, pascals))
    check, expected, then = (
        _spoken(text, words) for text in (entry.next_check, entry.expected, entry.consequence)
    )
    then = then.format_map(words)
    if loops:
        then = about(then, site.loops[loops[0]].combine)
    confidence = np.broadcast_to(np.asarray(condition.confidence), condition.holds.shape)
    return Finding(
        fault=entry.fault,
        kind=entry.kind,
        subject=subject,
        phase="raised",
        time=time,
        since=time,
        status=entry.status,
        confidence=float(confidence[row, column]),
        title=entry.title,
        evidence=evidence,
        rivals=_rivals(site, entry, mine),
        next_check=f"{check} Expect: {expected}".format_map(words),
        consequence=f"{then} {tells}".strip(),
        transducer=transducer,
        loops=loops,
    )


def in_general(site: Site, entry: Entry, subject: str) -> str:
    """What to check where no finding tells its numbers, for the subject's sort of signal."""
    return _spoken(entry.next_check, _sort(site, subject if entry.kind == "transducer" else None))


def _spoken(text: str, words: Mapping[str, str]) -> str:
    """What fits of a text, without sentences about numbers that nobody has; all, if none is left.

    A value that stands still at its end tells no line, and so no range that was set.
    """
    parts = fitting(text, words).removesuffix(".").split(". ")
    known = [part for part in parts if set(_NAME.findall(part)) <= words.keys()]
    return ". ".join(known or parts) + "."


def _rivals(site: Site, entry: Entry, transducer: str | None) -> tuple[str, ...]:
    """What else it could be: behind a live zero a dead wire is no tube; without, no failure."""
    if entry.group != "wire" or transducer is None:
        return entry.rivals
    if not site.transducers[transducer].sends().live_zero:
        return tuple(r for r in entry.rivals if r != "device-failure-signal")
    return tuple(r for r in entry.rivals if CATALOGUE[r].group != "pneumatic")


def fitting(text: str, evidence: Mapping[str, float | str]) -> str:
    """A text without its sentences for other cases; all of them where the case is not known.

    A sentence for one case begins with a word of evidence in brackets: "[upper limit] ...". One
    that would name evidence that is "none" is left out as well.
    """
    empty = [f"{{{name}}}" for name, value in evidence.items() if value == "none"]
    told = [p for p in text.removesuffix(".").split(". ") if not any(e in p for e in empty)]
    parts = [_CASE.match(part) for part in told]
    cases = [(part["case"], part["text"]) for part in parts if part]
    known = {case for case, _ in cases if case} & set(evidence.values())
    return ". ".join(said for case, said in cases if not (case and known) or case in known) + "."


def cleared(finding: Finding, time: float) -> Finding:
    """The same finding, ended at `time`."""
    return Finding(**{**vars(finding), "phase": "cleared", "time": time})


class _Words(dict[str, str]):
    """Evidence as text for a sentence; "not known" for anything not at hand.

    steps: the finest step in which a unit's values are said. rest: the signal at no pressure.
    """

    def __init__(
        self, evidence: Mapping[str, float | str], steps: Mapping[str, float], *, rest: str
    ) -> None:
        super().__init__(rest_signal=rest)
        for name, value in evidence.items():
            stem, _, unit = name.rpartition("_")
            step = 0.0 if stem in GIVEN else steps.get(unit, 0.0)
            text = value if isinstance(value, str) else said(value, step)
            self[name] = text
            if stem and not isinstance(value, str):
                self[f"{stem}_Pa"] = self[f"{stem}_signal"] = f"{text} {unit}"

    def __missing__(self, name: str) -> str:
        return "not known"


def _steps(site: Site, loops: tuple[str, ...], transducer: str | None) -> dict[str, float]:
    """Pressures are not told finer than their transducer can mean."""
    members = (
        [transducer] if transducer else [k for id_ in loops for k in site.loops[id_].transducers]
    )
    units = {site.loop_unit(key) for key in loops} | {site.transducers[k].unit for k in members}
    span = max((site.transducers[k].span_pa for k in members), default=0.0)
    signals = {"mA": METER_STEP, "V": METER_STEP}
    return signals | ({unit: step_of(from_pa(span, unit)) for unit in units} if span else {})


def _sort(site: Site, transducer: str | None) -> dict[str, str]:
    """What is measured at its terminals, for the sentences that hold for one sort of signal."""
    if transducer is None:
        return {}
    signal = site.transducers[transducer].sends()
    zero = "live zero" if signal.live_zero else "no live zero"
    return {"signal": signal.unit, "sort": f"{signal.unit} signal", "zero": zero}


def _low(entry: Entry, pascals: Mapping[str, float]) -> bool:
    """Whether the subject reads lower than the truth."""
    if {"reading_Pa", "peers_Pa"} <= set(pascals):
        return pascals["reading_Pa"] < pascals["peers_Pa"]
    return entry.fault not in ("short-circuit", "over-range")


def _at_rest(site: Site, transducer: str | None) -> str:
    """The signal of a transducer without pressure."""
    if transducer is None:
        return "its signal at no pressure"
    noun = site.transducers[transducer]
    signal = noun.sends()
    share = min(1.0, max(0.0, -noun.lrv_pa / (noun.urv_pa - noun.lrv_pa)))
    return f"{signal.low + share * (signal.high - signal.low):.2f} {signal.unit}"


def _ids(columns: Columns, entry: Entry) -> tuple[str, ...]:
    match entry.kind:
        case "controller":
            return columns.controllers.ids
        case "transducer":
            return columns.transducers.ids
        case "loop":
            return columns.loops.ids


def _transducer(
    columns: Columns, entry: Entry, condition: Condition, row: int, column: int
) -> str | None:
    if entry.kind == "transducer":
        return columns.transducers.ids[column]
    if condition.suspect is not None and condition.suspect[row, column] >= 0:
        return columns.transducers.ids[int(condition.suspect[row, column])]
    return None


def _loops(site: Site, entry: Entry, subject: str) -> tuple[str, ...]:
    if entry.kind == "loop":
        return (subject,)
    if entry.kind == "transducer":
        return site.loops_of(subject)
    return tuple(key for key, loop in site.loops.items() if subject in _sources(site, key))


def _sources(site: Site, loop_id: str) -> set[str]:
    loop = site.loops[loop_id]
    refs = [site.transducers[k].counts for k in loop.transducers]
    refs += [r for r in (loop.feedback, loop.setpoint, loop.output, loop.running) if r]
    return {ref.partition(".")[0] for ref in refs}


def _effect(
    site: Site,
    entry: Entry,
    loops: tuple[str, ...],
    transducer: str | None,
    pascals: Mapping[str, float],
) -> tuple[dict[str, float | str], str]:
    """What the fault does to the first loop that it touches, as evidence and in words."""
    if not loops or entry.kind == "controller":
        return {}, ""
    effect = of_evidence(site.loops[loops[0]], transducer, pascals)
    if effect is None:
        return {}, ""
    unit = site.loop_unit(loops[0])
    steps = _steps(site, loops[:1], None)
    return numbers(effect, unit), sentence(effect, unit, steps.get(unit, 0.0))


def _pascals(condition: Condition, row: int, column: int) -> dict[str, float]:
    """The evidence that is a pressure, in Pa."""
    at = {k: float(v[row, column]) for k, v in condition.evidence.items() if k.endswith("_Pa")}
    return {name: value for name, value in at.items() if not isnan(value)}


def _evidence(
    site: Site,
    entry: Entry,
    condition: Condition,
    row: int,
    column: int,
    subject: str,
    transducer: str | None,
) -> dict[str, float | str]:
    """Numbers in the subject's own units, under names that end in the unit."""
    pressure = "Pa"
    signal = ""
    if entry.kind == "loop":
        pressure = site.loop_unit(subject)
    if transducer is not None:
        noun = site.transducers[transducer]
        signal = noun.sends().unit
        pressure = noun.unit if entry.kind == "transducer" else pressure
    out: dict[str, float | str] = {}
    for name, values in condition.evidence.items():
        value = float(values[row, column])
        if isnan(value):
            continue
        if name in condition.words:
            words = condition.words[name]
            out[name] = words[int(value)] if 0 <= value < len(words) else "not known"
        elif name.endswith("_Pa"):
            out[f"{name.removesuffix('_Pa')}_{pressure}"] = _round(from_pa(value, pressure))
        elif name.endswith("_signal"):
            out[f"{name.removesuffix('_signal')}_{signal}"] = _round(value)
        else:
            out[name] = _round(value)
    return out


def _round(value: float) -> float:
    return float(f"{value:.6g}") + 0.0
