"""The part of the README that says how well it finds, made from results."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from .measuredsummarytables import measured_summary
from .practice import NAMES
from .summarytables import ALIKE, TOO_SMALL, markdown, summary
from .tables import Result

BEGIN = "<!-- benchmarks: made by python -m tests.benchmarks --readme README.md -->"
END = "<!-- end of benchmarks -->"
RECORDED = (
    "On recordings of real pairs of sensors (wind speeds, pipe flow and its pressure, air "
    "temperature and pressure; `--data`), with faults injected in sizes of the pair's own scatter. "
    "Two sensors of one quantity and nothing else: no fan, no set point, and so seldom a third "
    "witness. The others are tuned on the whole recording, cases included; the command prints all "
    "by fault, size and recording:"
)
RIVALS = {
    "5 % of span": "fixed difference, 5 % of span for a minute",
    "fixed, tuned": "fixed difference, tuned on a day of the same plant",
    "Page-Hinkley": "Page-Hinkley of river, tuned likewise",
    "ADWIN": "ADWIN of river, tuned likewise",
}


def block(
    plant: Sequence[Result],
    calm: Sequence[Mapping[str, Any]],
    speed: Sequence[tuple[str, str]],
    live: tuple[float, float],
    measured: Sequence[Mapping[str, Any]] = (),
) -> str:
    """Markdown between the two marks."""
    seeds = {1000 + r["stage"] for r in plant}
    head = (
        f"{len(plant)} faults switched on in the simulated plant, {_each(plant)} of each kind, "
        f"seeds {min(seeds)} to {max(seeds)}; counted are hard faults, and shifts from twice the "
        "size that matters on:"
    )
    words = (
        "Noticed: any finding; of three: faults of the three transducers of one loop, where a "
        "third witness always exists; or alike: the first finding is the fault, or one that "
        f"nothing tells from it at that moment ({_alike()}); times optimum: median delay of a "
        f"sudden shift against a CUSUM that knew the shift. Left out: {_left_out()}."
    )
    quick = markdown(("speed, one core, all detectors", "scans a second"), speed)
    cost = (
        f"Live, 2,000 transducers at a row a second take {100 * live[0]:.2f} % of a core in the "
        f"heart (the longest row {1e3 * live[1]:.0f} ms)."
    )
    parts = [head, summary(plant), words, _calm(calm)]
    if measured:
        parts += [RECORDED, measured_summary(measured)]
    made = "\n\n".join([*parts, quick, cost])
    return f"{BEGIN}\n{made}\n{END}"


def write(file: Path, made: str) -> None:
    """Put the block between its marks. ValueError when the marks are not there."""
    text = file.read_text()
    if BEGIN not in text or END not in text:
        raise ValueError(f"{file}: no lines {BEGIN!r} and {END!r}")
    head, _, rest = text.partition(BEGIN)
    file.write_text(head + made + rest.partition(END)[2])


def _calm(calm: Sequence[Mapping[str, Any]]) -> str:
    years = sum(r["days"] * r["loops"] for r in calm) / 365.25
    ours = sum(phase == "raised" for r in calm for _, phase, _, _ in r["said"])
    counts = [("Loopwitness", ours)]
    counts += [(RIVALS[name], sum(r["rivals"][name] for r in calm)) for name in NAMES]
    rows = [(name, str(n), f"{n / years:.2f}") for name, n in counts] if years else []
    head = ("without any fault", f"false findings in {years:.1f} loop-years", "a loop-year")
    return markdown(head, rows)


def _each(plant: Sequence[Result]) -> str:
    counts = [sum(r["kind"] == kind for r in plant) for kind in {r["kind"] for r in plant}]
    return str(min(counts)) if min(counts) == max(counts) else f"{min(counts)} to {max(counts)}"


def _alike() -> str:
    return "; ".join(f"{kind}: {why}" for kind, (_, why) in ALIKE.items())


def _left_out() -> str:
    return "; ".join(
        f"{kind} at {size:g} of its size: {why}" for (kind, size), why in TOO_SMALL.items()
    )
