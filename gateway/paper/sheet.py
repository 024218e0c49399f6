"""The printed commissioning sheet, with empty columns for what is found on site."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from .figures import NONE, figure, signs
from .typesetting import pdf

Body = Mapping[str, Any]
NO_DAY = [2000, 1, 1, 0, 0, 0]
"""A sheet is made of the site file alone, so it is the same on every day."""


def sheet_pdf(made: Body, software: str) -> bytes:
    """A sheet, as `loopcheck/sheet.py` makes it, as a PDF. software: the version that made it."""
    site = made["site"]
    data = json.dumps(made, sort_keys=True, ensure_ascii=False).encode()
    return pdf(
        "sheet.typ",
        {
            "title": "Commissioning sheet",
            "place": site["name"] or site["id"],
            "date": NO_DAY,
            "software": f"Loopwitness {software}",
            # Tells two printings apart when the site file was changed in between.
            "digest": hashlib.sha256(data).hexdigest()[:16],
            "cautions": made["cautions"],
            "loops": [_loop(one) for one in made["loops"]],
        },
    )


def _loop(loop: Body) -> dict[str, Any]:
    return {
        "name": loop["name"] or loop["id"],
        "id": loop["id"],
        "settings": _settings(loop["settings"]),
        "inputs": [_input(one) for one in loop["transducers"]],
    }


def _settings(found: list[Mapping[str, str]]) -> list[list[str]]:
    return [[one["name"], signs(one["value"]), ""] for one in found]


def _input(one: Body) -> dict[str, Any]:
    meter, value = one["shunt_ohm"] is not None, one["value_unit"]
    head = ["% of span", f"pressure {one['unit']}", f"signal {one['signal_unit']}"]
    head += [f"at the input {one['input_unit']}"] if meter else []
    head += ["counts", *([f"controller {value}"] if value else [])]
    written = ["counts found", *(["controller found"] if value else [])]
    registers = one["registers"]
    return {
        "name": f"Input {one['place']}: {one['id']}"
        + (f", {one['location']}" if one["location"] else ""),
        "facts": [
            ["Signal", one["signal"]],
            ["Ports", one["ports"] or NONE],
            ["Counts from", registers["counts"]],
            ["Controller's value from", registers["value"] or "no register"],
        ],
        "head": head + written,
        "written": len(written),
        "rows": [
            _row(p, meter=meter, value=bool(value)) + [""] * len(written) for p in one["points"]
        ],
        "settings": _settings(one["settings"]),
        "bands": [
            [b["means"], b["side"], f"{figure(b['sent'])} {one['signal_unit']}",
             "beyond the input" if b["counts"] is None else figure(b["counts"], 10)]
            for b in one["bands"]
        ],
    }  # fmt: skip


def _row(point: Body, *, meter: bool, value: bool) -> list[str]:
    cells = [figure(point[name], 6) for name in ("percent", "pressure", "sent")]
    cells += [figure(point["at_input"], 6)] if meter else []
    cells += [figure(point["counts"], 10)]
    cells += [figure(point["value"], 6)] if value else []
    return cells
