"""Benchmarks: `python -m tests.benchmarks --help`."""

from __future__ import annotations

import argparse
from pathlib import Path

from gateway.demo.control import demo_site_path
from gateway.plant.sitefile import read_site

from .cases import cases
from .plantrun import read_results, run_cases
from .tables import by_kind, by_size


def main() -> None:
    """Run what is asked for and print tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=10)
    parser.add_argument("--stages", type=int, default=3)
    parser.add_argument("--results", type=Path, required=True)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--kinds", nargs="*", default=[])
    args = parser.parse_args()
    site = read_site(demo_site_path())
    todo = cases(site, args.runs, args.stages, tuple(args.kinds))
    for n, result in enumerate(run_cases(todo, args.results, args.processes), 1):
        if n % 20 == 0:
            print(n, "of", len(todo), result["key"], flush=True)
    wanted = {case.key for case in todo}
    results = [r for r in read_results(args.results) if r["key"] in wanted]
    print(by_kind(results))
    print()
    print(by_size(results))


main()
