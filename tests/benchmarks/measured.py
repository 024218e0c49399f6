"""Benchmark (b): the gateway and its rivals on real measurements, one result a trial, resumable."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from functools import lru_cache
from itertools import chain
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from gateway.diagnose.diagnose import Diagnosis
from gateway.measure.measure import Measure

from .plantrun import read_results
from .realtrials import process_events, published, real_faults
from .rig import BEGIN, Rig, ident
from .rivals import Tuned, tuned
from .trials import Trial, base_rig, fault_free, injected

ROWS = 5000
PARTS: dict[str, Callable[[Path], Iterator[Trial]]] = {
    "injected": injected,
    "faultfree": fault_free,
    "real": real_faults,
    "published": published,
    "process": process_events,
}


def run_measured(
    root: Path, parts: Iterable[str], results: Path, processes: int
) -> Iterator[dict[str, Any]]:
    """Run the trials of these parts that are not in `results` yet; append and give each result."""
    done = {(r["part"], r["key"]) for r in read_results(results)}
    trials = chain.from_iterable(PARTS[part](root) for part in parts)
    todo = [t for t in trials if (t.part, t.key) not in done]
    with ProcessPoolExecutor(processes, mp_context=get_context("fork")) as pool:
        waiting = [pool.submit(result_of, root, trial) for trial in todo]
        for one in as_completed(waiting):
            with results.open("a") as file:
                file.write(json.dumps(one.result()) + "\n")
            yield one.result()


def result_of(root: Path, trial: Trial) -> dict[str, Any]:
    """What ours and the others said; times in seconds of the recording, from the trial's start."""
    site = trial.rig.site()
    measure = Measure(site)
    diagnosis = Diagnosis(site, measure.columns)
    block = trial.rig.block(trial.time, trial.values)
    ours: list[list[Any]] = []
    for start in range(0, len(block), ROWS):
        readings = measure.examine(block.rows(start, start + ROWS))
        ours += [
            [(f.time - BEGIN) / trial.rig.stretch, f.phase, f.fault, f.subject]
            for f in diagnosis.examine(readings)
        ]
    began = trial.time[trial.time >= 0]
    steps = np.diff(began)
    seen = float(steps[steps <= 3 * trial.pace].sum())
    return {
        "part": trial.part, "key": trial.key, "base": trial.base, "label": trial.label,
        "size": trial.size, "pace": trial.pace, "stretch": trial.rig.stretch,
        "watched_s": seen, "names": trial.rig.ids, "excused": trial.excused,
        "events": [
            vars(event) | {"subjects": [ident(s) for s in event.subjects]}
            for event in trial.events
        ],
        "said": ours, "rivals": _rivals(root, trial),
    }  # fmt: skip


def _rivals(root: Path, trial: Trial) -> dict[str, list[float]]:
    """Alarms by name; none for a sensor that stands alone."""
    if len(trial.rig.names) < 2:
        return {}
    clock = trial.time * trial.rig.stretch
    difference = trial.values[:, 0] - trial.values[:, 1]
    made = _tuned_for(root, trial.base) or _tuned_here(trial)
    return {
        one.name: [t / trial.rig.stretch for t in one.make().examine(clock, difference)]
        for one in made
    }


@lru_cache
def _tuned_for(root: Path, base: str) -> tuple[Tuned, ...]:
    """Rivals tuned on a base's fault-free recording."""
    bases = json.loads((root / "bases.json").read_text(encoding="utf-8"))["bases"]
    found = next((b for b in bases if b["id"] == base), None)
    if found is None:
        return ()
    rig, recording = base_rig(root, found)
    a, b = (recording.columns[found[f"col_{side}"]] for side in ("a", "b"))
    return settings_for(rig, recording.time, a - b)


def settings_for(rig: Rig, time: Any, healthy: Any) -> tuple[Tuned, ...]:
    """Rivals tuned on (R,) fault-free differences."""
    span = max(s.urv - s.lrv for s in rig.sensors)
    return tuned(time * rig.stretch, healthy, span)


def _tuned_here(trial: Trial) -> tuple[Tuned, ...]:
    """Tuned on what came before the first fault of this recording."""
    first = min((e.start for e in trial.events), default=float(trial.time[-1]))
    calm = trial.time < first
    difference = trial.values[calm, 0] - trial.values[calm, 1]
    return settings_for(trial.rig, trial.time[calm], difference)
