"""The page that shows a replay: pressures of each loop over time, and what was found when.

One HTML file that needs nothing else: data, style and script are inside it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from gateway.diagnose.findings import Finding
from gateway.errors import StartError
from gateway.measure.blocks import Floats
from gateway.plant.site import Site
from gateway.plant.units import PASCALS
from gateway.views import number

from .trace import Trace

DIGITS = 5
SCRIPTS = ("scale.js", "draw.js", "chart.js", "plot.js")
"""One module, in this order."""
REPORTED = ("combined", "feedback", "set point")


def check_plot_name(file: Path) -> None:
    """StartError unless the file's name says that it is a page."""
    if file.suffix.lower() not in (".html", ".htm"):
        raise StartError(f"--plot {file}; allowed: a file that ends in .html")


def write_plot(file: Path, site: Site, trace: Trace, findings: Iterable[Finding]) -> None:
    """Write the page; StartError when the file cannot be written."""
    check_plot_name(file)
    try:
        file.write_text(page(site, trace, findings), encoding="utf-8")
    except OSError as error:
        raise StartError(f"{file}: {error.strerror}; allowed: a file that can be written") from None


def page(site: Site, trace: Trace, findings: Iterable[Finding]) -> str:
    """The page as text."""
    data = plot_data(site, trace, findings)
    name = site.site.name or site.site.id
    parts = {
        "%NAME%": escape(name),
        "%STYLE%": _asset("plot.css"),
        # "<" is written so that no text in the data can end the script element.
        "%DATA%": json.dumps(data, ensure_ascii=False, allow_nan=False).replace("<", "\\u003c"),
        "%SCRIPT%": "\n".join(_asset(name) for name in SCRIPTS),
    }
    # In one pass, so that a name that looks like a mark is left alone.
    return re.sub("|".join(parts), lambda mark: parts[mark[0]], _asset("plot.html"))


def plot_data(site: Site, trace: Trace, findings: Iterable[Finding]) -> dict[str, Any]:
    """Everything that the page's script draws, pressures in each loop's unit."""
    time, low, mean, high = trace.series()
    findings = list(findings)
    spans = _spans(findings, float(time[-1]) + trace.width_s if len(time) else 0.0)
    ids, loops = list(site.transducers), list(site.loops)
    out = []
    for k, (key, noun) in enumerate(site.loops.items()):
        unit = site.loop_unit(key)
        columns = [(name, ids.index(name)) for name in noun.transducers]
        columns += [(name, len(ids) + part * len(loops) + k) for part, name in enumerate(REPORTED)]
        series = [
            _series(name, [side[:, c] / PASCALS[unit] for side in (low, mean, high)])
            for name, c in columns
            if len(time) and np.isfinite(mean[:, c]).any()
        ]
        out.append({
            "id": key, "name": noun.name or key, "unit": unit, "series": series,
            "findings": [span for span in spans if key in span["loops"]],
        })  # fmt: skip
    return {
        "time": [round(t, 3) for t in time.tolist()],
        "width": trace.width_s,
        "loops": out,
        "elsewhere": [span for span in spans if not span["loops"]],
    }


def _series(name: str, sides: Sequence[Floats]) -> dict[str, Any]:
    low, mean, high = ([number(v, DIGITS) for v in side.tolist()] for side in sides)
    return {"name": name, "low": low, "mean": mean, "high": high}


def _spans(findings: Iterable[Finding], end: float) -> list[dict[str, Any]]:
    """One entry a finding, from raised to cleared; `to` is the end of the data while it stands."""
    spans: dict[str, dict[str, Any]] = {}
    for f in findings:
        if f.phase == "raised":
            spans[f.id] = {
                "from": f.time, "to": end, "open": True, "fault": f.fault, "subject": f.subject,
                "title": f.title, "status": f.status, "loops": list(f.loops),
            }  # fmt: skip
        elif f.id in spans:
            spans[f.id] |= {"to": f.time, "open": False}
    return list(spans.values())


def _asset(name: str) -> str:
    return (files("gateway.replay") / "page" / name).read_text(encoding="utf-8")
