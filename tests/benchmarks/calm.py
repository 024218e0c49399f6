"""Benchmark (a), the other half: fault-free running, and what was said nevertheless."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from gateway.demo.control import demo_site_path
from gateway.plant.sitefile import read_site

from .cases import BEGIN, DAY_S, SEASON_S
from .plantrun import read_results
from .practice import NAMES, practice_of
from .stage import Stage, slower
from .tables import table

INTERVAL_S, STEP_S = 10.0, 2.0
"""Rows and physics: coarse, so that years are feasible."""


def run_calm(
    days: float, part_days: float, results: Path, processes: int, first: int = 0
) -> Iterator[dict[str, Any]]:
    """`days` of the whole site in parts of `part_days` with a seed each, at all seasons."""
    done = {r["seed"] for r in read_results(results) if r["days"] == part_days}
    count = max(1, round(days / part_days))
    seeds = [s for s in range(first, first + count) if s not in done]
    with ProcessPoolExecutor(processes, mp_context=get_context("fork")) as pool:
        waiting = [pool.submit(_part, seed, part_days) for seed in seeds]
        for one in as_completed(waiting):
            result = one.result()
            with results.open("a") as file:
                file.write(json.dumps(result) + "\n")
            yield result


def _part(seed: int, days: float) -> dict[str, Any]:
    site = slower(read_site(demo_site_path()), INTERVAL_S)
    start = BEGIN + seed * SEASON_S * 0.37
    stage = Stage(site, seed=seed, start=start, interval_s=INTERVAL_S, max_step_s=STEP_S)
    practice = practice_of(site, INTERVAL_S, STEP_S)
    said, theirs = [], dict.fromkeys(NAMES, 0)
    while stage.now < start + days * DAY_S:
        readings, findings = stage.go(6 * 3600.0)
        said += [[round((f.time - start) / 3600, 3), f.phase, f.fault, f.subject] for f in findings]
        for name, _, _ in practice.examine(readings):
            theirs[name] += 1
    return {
        "seed": seed, "days": days, "start": start, "loops": len(site.loops),
        "said": said, "rivals": theirs,
    }  # fmt: skip


def calm_lines(results: Iterable[dict[str, Any]]) -> str:
    """False findings for each loop-year."""
    results = list(results)
    years = sum(r["days"] * r["loops"] for r in results) / 365.25
    counts: dict[str, int] = {}
    for r in results:
        for _, phase, fault, subject in r["said"]:
            if phase == "raised":
                counts[f"{fault} {subject}"] = counts.get(f"{fault} {subject}", 0) + 1
    seeds = ", ".join(str(r["seed"]) for r in results)
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
