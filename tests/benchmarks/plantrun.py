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
from gateway.plant.sitefile import read_site

from .cases import LEARN_S, Case, start_of
from .practice import FixedDifference
from .stage import CHUNK_S, Stage, alone, branch

STAY_S = 600.0
"""How long a case goes on after its fault was found, to see what else is said."""


def run_cases(cases: Iterable[Case], results: Path, processes: int) -> Iterator[dict[str, Any]]:
    """Run what is not in `results` yet; append and give each result as it comes."""
    done = {r["key"] for r in read_results(results)}
    groups: dict[tuple[int, str], list[Case]] = {}
    for case in cases:
        if case.key not in done:
            groups.setdefault((case.stage, case.loop), []).append(case)
    with ProcessPoolExecutor(processes, mp_context=get_context("fork")) as pool:
        waiting = [pool.submit(_stage, *key, todo) for key, todo in groups.items()]
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


def _stage(number: int, loop: str, todo: list[Case]) -> list[dict[str, Any]]:
    """All cases of one seed and loop."""
    site = alone(read_site(demo_site_path()), loop)
    stage = Stage(site, seed=1000 + number, start=start_of(number))
    practice = FixedDifference(site)
    results = []
    for case in sorted(todo, key=lambda c: c.after_s):
        _go_to(stage, practice, LEARN_S + case.after_s)
        results.append(branch_case(stage, practice, case))
    return results


def _go_to(stage: Stage, practice: FixedDifference, at_s: float) -> None:
    while (left := stage.start + at_s - stage.now) > 0:
        readings, _ = stage.go(min(left, 3600.0))
        practice.examine(readings)


def branch_case(stage: Stage, practice: FixedDifference, case: Case) -> dict[str, Any]:
    """The result of one case that begins now."""
    return branch(lambda: _case(stage, practice, case))


def _case(stage: Stage, practice: FixedDifference, case: Case) -> dict[str, Any]:
    onset = stage.now
    before = [f"{f.fault}:{f.subject}" for f in stage.diagnosis.open]
    picture = stage.diagnosis.picture
    checked(stage.site, case.kind, case.subject, case.size)
    stage.plant.switch(case.kind, case.subject, case.size, on=True)
    ours: list[dict[str, Any]] = []
    theirs: list[tuple[float, str | None]] = []
    end = onset + 3600 * case.hours
    while stage.now < end:
        readings, findings = stage.go(CHUNK_S)
        ours += [_short(f, onset) for f in findings]
        theirs += [
            (t - onset, x) for t, phase, x in practice.examine(readings) if phase == "raised"
        ]
        found = [f for f in ours if _right(f, case) and f["phase"] == "raised"]
        if found:
            end = min(end, onset + found[0]["at"] + STAY_S)
    members = list(stage.site.transducers)
    column = members.index(case.subject) if case.subject in members else None
    return {
        "key": case.key, "kind": case.kind, "subject": case.subject, "loop": case.loop,
        "factor": case.factor, "size": case.size, "stage": case.stage, "after_s": case.after_s,
        "expected": KINDS[case.kind].expected, "open_before": before, "ran_s": stage.now - onset,
        "findings": ours, "practice": theirs,
        "sd": None if column is None else float(picture.sd()[0, column]),
        "phi": None if column is None else float(picture.phi()[0, column]),
    }  # fmt: skip


def _short(f: Finding, onset: float) -> dict[str, Any]:
    return {
        "at": round(f.time - onset, 3), "phase": f.phase, "fault": f.fault, "subject": f.subject,
        "transducer": f.transducer, "confidence": round(f.confidence, 3),
    }  # fmt: skip


def _right(found: Mapping[str, Any], case: Case) -> bool:
    expected = (KINDS[case.kind].expected, case.subject)
    return (found["fault"], found["subject"]) == expected
