"""Benchmark (a), the other half: fault-free running, and what was said nevertheless."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from gateway.demo.control import demo_site_path
from gateway.diagnose.diagnose import Diagnosis
from gateway.measure.measure import Measure
from gateway.plant.site import Site
from gateway.plant.sitefile import read_site

from .cases import BEGIN, DAY_S, SEASON_S
from .copies import beside, copied
from .plantrun import read_results
from .practice import NAMES, Practice, tuned_loop
from .stage import Stage, slower
from .tables import table

CHUNK_S = 3 * 3600.0
INTERVAL_S, STEP_S = 10.0, 2.0
"""Rows and physics: coarse, so that years are feasible."""


def run_calm(
    days: float, part_days: float, copies: int, results: Path, processes: int
) -> Iterator[dict[str, Any]]:
    """`days` of the whole site in parts of `part_days`, `copies` plants side by side in each.

    Every plant has a seed of its own; parts begin at all seasons.
    """
    done = {r["seed"] for r in read_results(results) if _alike(r, part_days, copies)}
    count = max(1, round(days / part_days / copies))
    firsts = [s * copies for s in range(count) if s * copies not in done]
    with ProcessPoolExecutor(processes, mp_context=get_context("fork")) as pool:
        waiting = [pool.submit(_part, first, part_days, copies) for first in firsts]
        for one in as_completed(waiting):
            result = one.result()
            with results.open("a") as file:
                file.write(json.dumps(result) + "\n")
            yield result


def _alike(result: Mapping[str, Any], part_days: float, copies: int) -> bool:
    return bool(result["days"] == part_days and result["copies"] == copies)


def _part(first: int, days: float, copies: int) -> dict[str, Any]:
    site = slower(read_site(demo_site_path()), INTERVAL_S)
    start = BEGIN + first / copies * SEASON_S * 0.37
    plants = [
        Stage(site, seed=first + n, start=start, interval_s=INTERVAL_S, max_step_s=STEP_S)
        for n in range(copies)
    ]
    many = copied(site, copies)
    measure = Measure(many)
    diagnosis, practice = Diagnosis(many, measure.columns), _practice(many)
    said, theirs = [], dict.fromkeys(NAMES, 0)
    while plants[0].now < start + days * DAY_S:
        readings = measure.examine(beside([p.block(CHUNK_S) for p in plants]))
        said += [
            [round((f.time - start) / 3600, 3), f.phase, f.fault, f.subject]
            for f in diagnosis.examine(readings)
        ]
        for name, _, _ in practice.examine(readings):
            theirs[name] += 1
    return {
        "seed": first, "copies": copies, "days": days, "start": start, "loops": len(many.loops),
        "said": said, "rivals": theirs,
    }  # fmt: skip


def _practice(many: Site) -> Practice:
    """The rivals on every copy, tuned once for each loop of the archive."""
    settings = {k: tuned_loop(k.rpartition("-")[0], INTERVAL_S, STEP_S) for k in many.loops}
    return Practice(many, settings)


def calm_lines(results: Iterable[dict[str, Any]]) -> str:
    """False findings for each loop-year."""
    results = list(results)
    years = sum(r["days"] * r["loops"] for r in results) / 365.25
    counts: dict[str, int] = {}
    for r in results:
        for _, phase, fault, subject in r["said"]:
            if phase == "raised":
                counts[f"{fault} {subject}"] = counts.get(f"{fault} {subject}", 0) + 1
    seeds = ", ".join(f"{r['seed']} to {r['seed'] + r['copies'] - 1}" for r in results)
    totals = {"ours": sum(counts.values())}
    totals |= {name: sum(r["rivals"][name] for r in results) for name in NAMES}
    lines = [
        f"Fault-free running: {years:.2f} loop-years in {len(results)} parts; seeds {seeds}",
        table(
            ("", "false findings", "a loop-year"),
            [(name, str(n), f"{n / years:.2f}") for name, n in totals.items()],
        ),
    ]
    lines += [f"  {n:4d} {name}" for name, n in sorted(counts.items(), key=lambda c: -c[1])]
    return "\n".join(lines)
