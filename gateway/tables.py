"""What the commands print: a site in short, one reading side by side, registers that move.

Nouns and readings enter; tables for people and plain data for `--json` leave.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.table import Table
from rich.text import Text

from gateway.errors import SiteFileError
from gateway.live import Snapshot
from gateway.measure.quality import Reason
from gateway.plant.controllers import Controller
from gateway.plant.site import Site
from gateway.plant.units import in_digits
from gateway.poll.plan import plan
from gateway.poll.scan import Scan, worst
from gateway.poll.watch import COLUMNS, Observation, table_rows
from gateway.trust import Trust
from gateway.views import TransducerView, iso, number, transducer_views

WIDE = 160
"""Columns when the output is no terminal, so that no line is folded in a file or a pipe."""

_COLOURS = {"good": "green", "uncertain": "yellow", "bad": "red"}
_NONE = "-"
SEEN = {"never": "never", "partly": "in part", "absent": "cannot arise"}
"""How far a hidden fault is seen, in words."""


def console(*, stderr: bool = False) -> Console:
    """Standard output (or error) as tables want it: text is never taken for markup."""
    width = None if (sys.stderr if stderr else sys.stdout).isatty() else WIDE
    return Console(width=width, markup=False, highlight=False, emoji=False, stderr=stderr)


def print_json(data: Mapping[str, Any], indent: int | None = 2) -> None:
    """Plain data on standard output; `indent` None: in one line, and at once."""
    sys.stdout.write(json.dumps(data, indent=indent, ensure_ascii=False) + "\n")
    sys.stdout.flush()


def plain_table(title: str, columns: Sequence[str], rows: Iterable[Sequence[str | Text]]) -> Table:
    """A table without a frame; columns whose name ends in "#" are numbers, set to the right."""
    table = Table(title=title, box=SIMPLE_HEAD, title_justify="left", title_style="bold")
    for column in columns:
        name = column.removesuffix("#")
        table.add_column(name, justify="right" if column != name else "left", overflow="fold")
    for row in rows:
        table.add_row(*row)
    return table


def faults_data(error: SiteFileError) -> dict[str, Any]:
    """Faults of a site file as plain data."""
    return {"file": error.file, "ok": False, "faults": [vars(fault) for fault in error.faults]}


def site_data(file: str, site: Site, now: float) -> dict[str, Any]:
    """A valid site in short, as plain data; now: seconds since 1970, for the uncertainty."""
    trust = Trust(site, now)
    return {
        "file": file,
        "ok": True,
        "site": site.site.id,
        "name": site.site.name,
        "controllers": [_controller(key, c) for key, c in site.controllers.items()],
        "transducers": [
            {
                "id": key,
                "counts": t.counts,
                "signal": t.signal,
                "range": list(t.range),
                "unit": t.unit,
                "location": t.location,
                "loops": list(site.loops_of(key)),
                "uncertainty": trust.uncertainty(key, now).model_dump(),
                "hidden": [view.model_dump() for view in trust.hidden(key)],
            }
            for key, t in site.transducers.items()
        ],
        "loops": [
            {
                "id": key,
                "name": loop.name,
                "combine": loop.combine,
                "transducers": list(loop.transducers),
                "unit": site.loop_unit(key),
                "feedback": loop.feedback,
                "setpoint": loop.setpoint,
                "hidden": [view.model_dump() for view in trust.of_loop(key)],
            }
            for key, loop in site.loops.items()
        ],
    }


def _controller(key: str, controller: Controller) -> dict[str, Any]:
    return {
        "id": key,
        "address": f"{controller.host}:{controller.port}",
        "unit_id": controller.unit_id,
        "interval_s": controller.interval_s,
        "points": len(controller.points),
        "requests": [str(request) for request in plan(controller)],
    }


def site_tables(data: Mapping[str, Any]) -> list[Table]:
    """What `site_data` gave, as tables."""
    return [
        plain_table(
            "Controllers",
            ("controller", "address", "unit#", "every#", "points#", "requests#"),
            [
                (c["id"], c["address"], str(c["unit_id"]), f"{c['interval_s']:g} s",
                 str(c["points"]), str(len(c["requests"])))
                for c in data["controllers"]
            ],
        ),
        plain_table(
            "Transducers",
            ("transducer", "range#", "unit", "signal", "counts from", "loops", "location"),
            [
                (t["id"], f"{t['range'][0]:g} to {t['range'][1]:g}", t["unit"], t["signal"],
                 t["counts"], ", ".join(t["loops"]) or "in no loop", t["location"])
                for t in data["transducers"]
            ],
        ),
        plain_table(
            "Loops",
            ("loop", "combined", "unit", "feedback", "set point", "name"),
            [
                (p["id"], f"{p['combine']} of {', '.join(p['transducers'])}", p["unit"],
                 p["feedback"] or _NONE, p["setpoint"] or _NONE, p["name"])
                for p in data["loops"]
            ],
        ),
    ]  # fmt: skip


def trust_tables(data: Mapping[str, Any], *, why: bool = False) -> list[Table]:
    """Uncertainty, and what cannot be seen; why: every reason instead of a line a subject."""
    subjects = [*data["transducers"], *data["loops"]]
    return [
        plain_table(
            "Uncertainty: U = 2 u (about 95 %), and the parts of u",
            ("transducer", "U#", "unit", "% of span#", "u#", "made of"),
            [_uncertainty_row(t["id"], t["uncertainty"]) for t in data["transducers"]],
        ),
        _why_table(subjects) if why else _hidden_table(subjects),
    ]  # fmt: skip


def _uncertainty_row(key: str, u: Mapping[str, Any]) -> tuple[str, ...]:
    since = f"{u['years']:.1f} years" if u["calibrated"] else "no day given: 1 year"
    names = {"accuracy": "", "thermal": "", "stability": f" ({since})", "resolution": ""}
    parts = (f"{in_digits(u[name], 2)} {name}{more}" for name, more in names.items())
    return (
        key,
        _figure(u["expanded"], 3),
        u["unit"],
        _figure(u["expanded_percent_span"], 2),
        _figure(u["standard"], 3),
        ", ".join(parts),
    )


def _hidden_table(subjects: Iterable[Mapping[str, Any]]) -> Table:
    rows = []
    for subject in subjects:
        never = [h["fault"] for h in subject["hidden"] if h["extent"] == "never"]
        partly = [h["fault"] for h in subject["hidden"] if h["extent"] == "partly"]
        counts = (str(len(never)), str(len(partly)))
        rows.append((subject["id"], *counts, ", ".join(never) or _NONE))
    columns = ("subject", "never#", "in part#", "never seen, or only under another name")
    return plain_table("What cannot be seen (the reasons: --hidden)", columns, rows)


def _why_table(subjects: Iterable[Mapping[str, Any]]) -> Table:
    rows = [
        (subject["id"], h["fault"], SEEN[h["extent"]], h["why"])
        for subject in subjects
        for h in subject["hidden"]
    ]
    return plain_table("What cannot be seen, and why", ("subject", "fault", "seen", "why"), rows)


def live_data(site: Site, snapshot: Snapshot, scans: Iterable[Scan]) -> dict[str, Any]:
    """One reading of everything as plain data; `difference`: ours minus the controller's."""
    return {
        "time": iso(snapshot.time),
        "controllers": [
            {
                "id": scan.controller,
                "answered": answered(scan),
                "reason": scan.link.reason,
                "response_ms": number(scan.link.response_ms or 0.0, 4),
            }
            for scan in scans
        ],
        "transducers": [
            view.model_dump() | {"difference": _difference(view)}
            for view in transducer_views(site, snapshot)
        ],
    }


def answered(scan: Scan) -> bool:
    """Whether every request of a scan got a fitting answer."""
    return worst(scan.reasons) is Reason.NONE


def _difference(view: TransducerView) -> float | None:
    if view.value is None or view.controller_value is None:
        return None
    return number(view.value - view.controller_value, 4)


def live_tables(data: Mapping[str, Any]) -> list[Table]:
    """What `live_data` gave, as tables."""
    return [
        plain_table(
            "Controllers",
            ("controller", "answers", "took#", "why not"),
            [
                (
                    c["id"],
                    Text("yes", style="green") if c["answered"] else Text("no", style="red"),
                    f"{c['response_ms']:g} ms",
                    c["reason"],
                )
                for c in data["controllers"]
            ],
        ),
        plain_table(
            "One reading of every transducer",
            ("transducer", "counts#", "signal#", "pressure#", "controller's own#",
             "difference#", "unit", "quality", "why"),
            [_live_row(t) for t in data["transducers"]],
        ),
    ]  # fmt: skip


def _live_row(t: Mapping[str, Any]) -> tuple[str | Text, ...]:
    electrical = _figure(t["electrical"], 4)
    return (
        t["id"],
        _figure(t["counts"], 9),
        electrical if electrical == _NONE else f"{electrical} {t['electrical_unit']}",
        _figure(t["value"], 5),
        _figure(t["controller_value"], 5),
        _figure(t["difference"], 3),
        t["unit"],
        Text(t["quality"], style=_COLOURS[t["quality"]]),
        t["reason"],
    )


def _figure(value: float | None, digits: int) -> str:
    return _NONE if value is None else in_digits(value, digits)


def register_data(seen: Observation) -> dict[str, Any]:
    """One round of watching registers as plain data; registers never read are left out."""
    return {
        "time": iso(seen.time),
        "round": seen.rounds,
        "table": seen.table,
        "trouble": seen.trouble,
        "registers": [vars(r) for r in seen.registers if r.uint16 is not None],
    }


def any_read(seen: Observation) -> bool:
    """Whether any register was ever read."""
    return any(register.uint16 is not None for register in seen.registers)


def register_table(seen: Observation, *, moving_only: bool = False) -> Table:
    """Registers as seen so far, those that moved in bold."""
    moved = {str(r.address) for r in seen.registers if r.changes}
    columns = [f"{c}#" for c in COLUMNS]
    rows = [
        tuple(Text(cell, style="bold" if row[0] in moved else "") for cell in row)
        for row in table_rows(seen, moving_only=moving_only)
    ]
    trouble = f", {seen.trouble}" if seen.trouble else ""
    title = f"{seen.table} registers, round {seen.rounds}, {len(moved)} moved{trouble}"
    return plain_table(title, columns, rows)
