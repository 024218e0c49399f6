"""Benchmark (a): faults in the simulated plant, one result a case, resumable."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from gateway.demo.control import demo_site_path
from gateway.demo.faults import KINDS, checked
from gateway.diagnose.findings import Finding
from gateway.diagnose.sequential import one_sided_arl, threshold
from gateway.measure.uncertainty import YEAR_S
from gateway.plant.sitefile import read_site

from .cases import LEARN_S, Case, start_of
from .practice import Practice, practice_of
from .stage import CHUNK_S, Stage, alone, branch

STAY_S = 600.0
"""How long a case goes on after its fault was found, to see what else is said."""
INTERVAL_S, STEP_S = 1.0, 0.5
MINUTE_S = 60.0
SUDDEN = ("zero-shift", "liquid-in-tube", "span-drift")
"""Kinds that shift a reading at once."""
PLAIN = 12.0
"""Standard deviations of a minute that nobody needs a second minute to see."""


def run_cases(
    cases: Iterable[Case], results: Path, processes: int, learn_s: float = LEARN_S
) -> Iterator[dict[str, Any]]:
    """Run what is not in `results` yet; append and give each result as it comes.

    learn_s: fault-free running before the first fault.
    """
    done = {r["key"] for r in read_results(results)}
    groups: dict[tuple[int, str], list[Case]] = {}
    for case in cases:
        if case.key not in done:
            groups.setdefault((case.stage, case.loop), []).append(case)
    with ProcessPoolExecutor(processes, mp_context=get_context("fork")) as pool:
        waiting = [pool.submit(_stage, *key, todo, learn_s) for key, todo in groups.items()]
        for one in as_completed(waiting):
            for result in one.result():
                with results.open("a") as file:
                    file.write(json.dumps(result) + "\n")
                yield result


def read_results(file: Path) -> list[dict[str, Any]]:
    """Results written so far; a line cut off by the end of a run is left out."""
    if not file.exists():
        return []
    lines = file.read_text().splitlines()
    return [json.loads(line) for line in lines if line.endswith("}")]


def _stage(number: int, loop: str, todo: list[Case], learn_s: float) -> list[dict[str, Any]]:
    """All cases of one seed and loop."""
    site = alone(read_site(demo_site_path()), loop)
    stage = Stage(site, seed=1000 + number, start=start_of(number))
    practice = practice_of(site, INTERVAL_S, STEP_S)
    results = []
    for case in sorted(todo, key=lambda c: c.after_s):
        _go_to(stage, practice, learn_s + case.after_s)
        results.append(branch_case(stage, practice, case))
    return results


def _go_to(stage: Stage, practice: Practice, at_s: float) -> None:
    while (left := stage.start + at_s - stage.now) > 0:
        readings, _ = stage.go(min(left, 3600.0))
        practice.examine(readings)


def branch_case(stage: Stage, practice: Practice, case: Case) -> dict[str, Any]:
    """The result of one case that begins now."""
    return branch(lambda: _case(stage, practice, case))


def _case(stage: Stage, practice: Practice, case: Case) -> dict[str, Any]:
    onset = stage.now
    before = [f"{f.fault}:{f.subject}" for f in stage.diagnosis.open]
    best, matters = best_delay(stage, case), significance(stage, case)
    checked(stage.site, case.kind, case.subject, case.size)
    stage.plant.switch(case.kind, case.subject, case.size, on=True)
    ours: list[dict[str, Any]] = []
    theirs: list[tuple[str, float, str | None]] = []
    end = onset + 3600 * case.hours
    while stage.now < end:
        readings, findings = stage.go(CHUNK_S)
        ours += [_short(f, onset) for f in findings]
        theirs += [(name, when - onset, who) for name, when, who in practice.examine(readings)]
        found = [f for f in ours if _right(f, case) and f["phase"] == "raised"]
        if found:
            end = min(end, onset + found[0]["at"] + STAY_S)
    return {
        "key": case.key, "kind": case.kind, "subject": case.subject, "loop": case.loop,
        "factor": case.factor, "size": case.size, "stage": case.stage, "after_s": case.after_s,
        "expected": KINDS[case.kind].expected, "open_before": before, "ran_s": stage.now - onset,
        "findings": ours, "rivals": theirs, "best_s": best, "significance": matters,
    }  # fmt: skip


def best_delay(stage: Stage, case: Case) -> float | None:
    """Seconds after which a CUSUM that knew the shift would tell, for kinds that shift at once.

    It has the noise and the correlation that the gateway had learnt, and its time between false
    alarms; no method does better on average (Moustakides 1986, from memory). None where the
    fault is no shift, or nothing is learnt.
    """
    if case.kind not in SUDDEN:
        return None
    column, picture = list(stage.site.transducers).index(case.subject), stage.diagnosis.picture
    shift = shift_of(stage, case)
    sd, phi = float(picture.sd()[0, column]), float(picture.phi()[0, column])
    if not sd > 0:
        return None
    z = shift * (1 - phi) / (sd * (1 - phi**2) ** 0.5)
    if z > PLAIN:
        return MINUTE_S
    h = threshold(z / 2, YEAR_S / MINUTE_S)
    return MINUTE_S * max(1.0, one_sided_arl(z, z / 2, h))


def shift_of(stage: Stage, case: Case) -> float:
    """Pa by which a fault moves its transducer's reading, at the level learnt."""
    column = list(stage.site.transducers).index(case.subject)
    if case.kind == "span-drift":
        return abs(case.size) * abs(float(stage.diagnosis.picture.level[0, column])) / 100
    return abs(case.size)


def significance(stage: Stage, case: Case) -> float | None:
    """How many times the shift that matters (half the tolerance) a fault is, at its end.

    None where a size is not a shift.
    """
    if case.kind not in (*SUDDEN, "zero-drift"):
        return None
    column = list(stage.site.transducers).index(case.subject)
    hours = case.hours if case.kind == "zero-drift" else 1.0
    matters = float(stage.measure.columns.transducers.tolerance[column]) / 2
    return shift_of(stage, case) * hours / matters


def _short(f: Finding, onset: float) -> dict[str, Any]:
    return {
        "at": round(f.time - onset, 3), "phase": f.phase, "fault": f.fault, "subject": f.subject,
        "transducer": f.transducer, "confidence": round(f.confidence, 3),
        "rivals": f.rivals,
    }  # fmt: skip


def _right(found: Mapping[str, Any], case: Case) -> bool:
    expected = (KINDS[case.kind].expected, case.subject)
    return (found["fault"], found["subject"]) == expected
