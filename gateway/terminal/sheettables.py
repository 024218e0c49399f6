"""The commissioning sheet as tables for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from rich.table import Table

from gateway.plant.units import in_digits
from gateway.tables import plain_table


def sheet_lines(made: Mapping[str, Any]) -> Iterator[str | Table]:
    """Titles and tables, in order."""
    for words in made["cautions"]:
        yield f"! {words}"
    for loop in made["loops"]:
        yield ""
        yield f"{loop['id']}: {loop['name'] or 'loop'}"
        yield plain_table("Settings of the loop", ("setting", "value"), _pairs(loop["settings"]))
        for one in loop["transducers"]:
            yield from _transducer(one)


def _transducer(one: Mapping[str, Any]) -> Iterator[str | Table]:
    where = f", {one['location']}" if one["location"] else ""
    title = f"Input {one['place']}: {one['id']}{where} ({one['signal']})"
    meter = one["shunt_ohm"] is not None
    columns = ["% of span#", f"pressure {one['unit']}#", f"signal {one['signal_unit']}#"]
    columns += [f"at the input {one['input_unit']}#"] if meter else []
    columns += ["counts#"]
    columns += [f"controller {one['value_unit']}#"] if one["value_unit"] else []
    rows = [
        [_figure(p["percent"]), _figure(p["pressure"]), _figure(p["sent"])]
        + ([_figure(p["at_input"])] if meter else [])
        + [_figure(p["counts"])]
        + ([_figure(p["value"])] if one["value_unit"] else [])
        for p in one["points"]
    ]
    yield plain_table(title, columns, rows)
    yield plain_table("Settings of this input", ("setting", "value"), _pairs(one["settings"]))
    if one["bands"]:
        bands = [
            (b["means"], b["side"], f"{_figure(b['sent'])} {one['signal_unit']}",
             "beyond the input" if b["counts"] is None else _figure(b["counts"]))
            for b in one["bands"]
        ]  # fmt: skip
        yield plain_table("What else the signal tells", ("means", "", "signal#", "counts#"), bands)


def _pairs(settings: list[Mapping[str, str]]) -> list[tuple[str, str]]:
    return [(one["name"], one["value"]) for one in settings]


def _figure(value: float | None) -> str:
    return "-" if value is None else in_digits(value, 10)
