"""Benchmarks: how soon and how rightly faults are found, and how often none is there.

    python -m tests.benchmarks                      a quick look, some minutes
    python -m tests.benchmarks --full               200 runs a fault, 20 loop-years: a night
    python -m tests.benchmarks --data FOLDER        also real measurements (or LOOPWITNESS_DATA)

Four parts, each printed as tables with its seeds: `plant`, faults of the simulated building;
`calm`, the same without any fault; `speed`, scans a second on one core; `measured`, recordings of
real sensors with injected and with natural faults, left out when there is no folder. Results are
kept as JSON lines for each state of the code, so that a run goes on where it was stopped.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import sys
from collections.abc import Iterable, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

from gateway.demo.control import demo_site_path
from gateway.plant.sitefile import read_site

from . import readmetables
from .calm import calm_lines, run_calm
from .cases import LEARN_S, cases
from .measured import PARTS, run_measured
from .measuredtables import measured_report
from .plantrun import read_results, run_cases
from .speed import measure_speed, speed_lines
from .summarytables import alike_lines, summary
from .tables import KEY, by_kind, by_loop, by_size

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


def main(words: Sequence[str] | None = None) -> None:
    """Run what is asked for and print tables."""
    asked = _parser().parse_args(words)
    folder = asked.results / code_state()
    folder.mkdir(parents=True, exist_ok=True)
    print(f"results in {folder}", flush=True)
    if "plant" in asked.only:
        print("\n" + plant(asked, folder / "plant.jsonl"), flush=True)
    if "calm" in asked.only:
        print("\n" + calm(asked, folder / "calm.jsonl"), flush=True)
    if "speed" in asked.only:
        print("\n" + speed_lines(*measure_speed()), flush=True)
    if "measured" in asked.only:
        print("\n" + measured(asked, folder / "measured.jsonl"), flush=True)
    if asked.readme:
        faults, years, real = (
            read_results(folder / f"{part}.jsonl") for part in ("plant", "calm", "measured")
        )
        made = readmetables.block(faults, years, *measure_speed(), real)
        readmetables.write(asked.readme, made)


def plant(asked: argparse.Namespace, results: Path) -> str:
    """Faults in the simulated building."""
    runs, stages = (200, 12) if asked.full else (asked.runs, asked.stages)
    todo = cases(read_site(demo_site_path()), runs, stages, tuple(asked.kinds))
    _watch(run_cases(todo, results, asked.processes, asked.learn_hours * 3600), len(todo))
    wanted = {case.key: case for case in todo}
    found = [r for r in read_results(results) if r["key"] in wanted]
    head = f"Faults in the simulated plant: {len(found)} runs; seeds 1000 to {999 + stages}"
    said = sum(bool(r["open_before"]) for r in found)
    tables = [summary(found), alike_lines(), by_kind(found), by_size(found), by_loop(found)]
    return "\n\n".join([f"{head}; began with a finding open: {said}\n{KEY}", *tables])


def calm(asked: argparse.Namespace, results: Path) -> str:
    """The same without any fault."""
    years, part, copies = asked.loop_years, asked.part_days, asked.copies
    if asked.full:
        years, part, copies = 20.0, 40.0, 8
    days = years / 3 * 365.25
    whole = max(1, round(days / part / copies))
    _watch(run_calm(days, part, copies, results, asked.processes), whole)
    found = read_results(results)
    return calm_lines(r for r in found if (r["days"], r["copies"]) == (part, copies))


def measured(asked: argparse.Namespace, results: Path) -> str:
    """Real measurements."""
    if asked.data is None or not asked.data.is_dir():
        return "Real measurements: left out, no folder given (--data or LOOPWITNESS_DATA)"
    _watch(run_measured(asked.data, asked.parts, results, asked.processes), None)
    return measured_report([r for r in read_results(results) if r["part"] in asked.parts])


def code_state() -> str:
    """Eight digits that change whenever a line changes of what is measured or measures."""
    total = hashlib.sha256()
    measured = (f"gateway/{part}/**/*.py" for part in ("plant", "measure", "diagnose", "demo"))
    mine = [file for pattern in measured for file in ROOT.glob(pattern)]
    mine += [file for file in HERE.glob("*.py") if "tables" not in file.name]
    for file in sorted(mine):
        total.update(file.read_bytes())
    return total.hexdigest()[:8]


def _watch(results: Iterable[dict[str, Any]], whole: int | None) -> None:
    """Say on standard error how far it is."""
    counted = enumerate(results, 1)
    for n, _ in islice(counted, 9, None, 10):
        print(f"{n} of {whole}" if whole else n, file=sys.stderr, flush=True)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        "python -m tests.benchmarks", description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    named = os.environ.get("LOOPWITNESS_DATA")
    parts = ("plant", "calm", "speed", "measured")
    parser.add_argument("--full", action="store_true", help="200 runs a fault, 20 loop-years")
    parser.add_argument("--only", nargs="*", choices=parts, default=parts)
    parser.add_argument("--runs", type=int, default=10, help="runs a fault")
    parser.add_argument("--stages", type=int, default=3, help="plants that the runs share")
    parser.add_argument("--kinds", nargs="*", default=[], help="only these faults")
    parser.add_argument("--learn-hours", type=float, default=LEARN_S / 3600)
    parser.add_argument("--loop-years", type=float, default=0.3)
    parser.add_argument("--part-days", type=float, default=12.0, help="days of one plant")
    parser.add_argument("--copies", type=int, default=3, help="plants side by side")
    parser.add_argument("--data", type=Path, default=Path(named) if named else None)
    parser.add_argument("--parts", nargs="*", choices=list(PARTS), default=list(PARTS))
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument(
        "--readme", type=Path, help="file whose table is made anew from all results of this code"
    )
    parser.add_argument("--results", type=Path, default=ROOT / "var" / "benchmarks")
    return parser


if __name__ == "__main__":
    main()
