"""One replay from beginning to end: its source, progress, where the findings go."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

from gateway.diagnose.findings import Finding
from gateway.errors import StartError
from gateway.measure.blocks import Block
from gateway.plant.site import Site
from gateway.views import iso

from .csvfile import ALLOWED_TIME, FIRST, LAST, seconds
from .plot import check_plot_name, write_plot
from .recorded import history_blocks
from .replay import between, file_blocks, line, replay
from .summary import Summary, summary_table
from .trace import Trace


class OptionError(StartError):
    """Words on the command line that do not go together."""

    exit_code = 2


@dataclass(frozen=True)
class Order:
    """What is to be replayed, and where the results go; `start` and `end` as typed."""

    scans: Path | None
    history: Path | None = None
    start: str | None = None
    end: str | None = None
    out: Path | None = None
    plot: Path | None = None


def run_replay(site: Site, order: Order, errors: Console) -> Summary:
    """Replay, write the findings, and print progress and a summary to `errors`.

    OptionError, ScansError, StartError and StoreError say what cannot be used.
    """
    span = _span(order)
    if order.plot:
        check_plot_name(order.plot)
    summary, trace, kept = Summary(), Trace(), list[Finding]()
    with ExitStack() as stack:
        out = stack.enter_context(_open(order.out)) if order.out else sys.stdout
        bar = stack.enter_context(_progress(errors))
        task = bar.add_task("Replaying", total=1.0, when="")
        blocks = _blocks(site, order, span, lambda share: bar.update(task, completed=share))
        for readings, findings in replay(site, blocks):
            summary.saw(len(readings), float(readings.time[0]), float(readings.time[-1]))
            summary.add(findings)
            out.writelines(line(f) + "\n" for f in findings)
            if order.plot:
                trace.add(readings)
                kept += findings
            bar.update(task, when=iso(float(readings.time[-1])))
        bar.update(task, completed=1.0)
        out.flush()
    if order.plot:
        write_plot(order.plot, site, trace, kept)
    errors.print(summary_table(summary))
    return summary


def _blocks(
    site: Site, order: Order, span: tuple[float, float], progress: Callable[[float], None]
) -> Iterator[Block]:
    start, end = span
    if order.history:
        return history_blocks(order.history, site, progress, start=start, end=end)
    if order.scans is None:
        raise OptionError("nothing to replay; allowed: a file SCANS, or --history STATE_DIR")
    return between(file_blocks(order.scans, site, progress), start, end)


def _span(order: Order) -> tuple[float, float]:
    """Seconds since 1970; OptionError for what cannot be."""
    if (order.scans is None) == (order.history is None):
        both = "both given" if order.scans else "neither given"
        raise OptionError(f"SCANS and --history: {both}; allowed: one of them")
    start = FIRST if order.start is None else _time("--from", order.start)
    end = LAST if order.end is None else _time("--to", order.end)
    if not start < end:
        raise OptionError(f"--from {order.start} --to {order.end}; allowed: from before to")
    return start, end


def _time(option: str, text: str) -> float:
    try:
        found = seconds(text)
    except ValueError:
        found = -1.0
    if not FIRST <= found <= LAST:
        raise OptionError(f"{option} {text}; allowed: {ALLOWED_TIME}")
    return found


def _open(file: Path) -> TextIO:
    try:
        return file.open("w", encoding="utf-8", newline="\n")
    except OSError as error:
        raise StartError(f"{file}: {error.strerror}; allowed: a file that can be written") from None


def _progress(console: Console) -> Progress:
    """Shown on a terminal only."""
    columns = (
        TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn(),
        TextColumn("{task.fields[when]}"),
    )  # fmt: skip
    hidden = not console.is_terminal
    return Progress(*columns, console=console, transient=True, disable=hidden)
