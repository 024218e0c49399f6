"""What a stranger must know to read an export: columns, units, words, and the site.

Beside a CSV file it stands in a file of its own, as the W3C's "CSV on the Web" says (file name plus
"-metadata.json"): comment lines at the top of a CSV would be taken for rows by spreadsheets and by
most libraries, and by `replay`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gateway.measure.quality import QUALITY_OF, WORDS
from gateway.measure.tellings import WORDS as TOLD
from gateway.plant.site import Site
from gateway.process import program_version
from gateway.views import iso

from .order import FIRST, LAST, Order
from .table import Column, Table

BESIDE = "-metadata.json"
"""Ends the name of the file beside a CSV file."""
SAID = {
    "readings": "What registers meant, a row a poll, as recorded; of days that were only in the "
    "archive, as worked out again from register values by the site below.",
    "scans": "Decoded register values as polled; `loopwitness replay` takes them.",
    "minutes": "Summaries of whole minutes.",
    "hours": "Summaries of whole hours.",
    "journal": "What happened: findings, steps of alarms, what people did.",
}
CAUTION = (
    "Recorded by an independent witness; not a calibration, and no part of a fire-alarm or "
    "smoke-control system. Local codes, the authority having jurisdiction and licensed practice "
    "decide."
)
_DATATYPES: dict[str, Any] = {
    "time": {"base": "dateTime", "format": "yyyy-MM-ddTHH:mm:ss.SSSX"},
    "count": "integer",
    "text": "string",
}


def about(site: Site, order: Order, table: Table, made: float) -> dict[str, Any]:
    """Everything about an export as plain data; made: seconds since 1970."""
    return {
        "program": f"loopwitness {program_version()}",
        "made": iso(made),
        "rows": order.rows,
        "said": SAID[order.rows],
        "from": None if order.start == FIRST else iso(order.start),
        "to": None if order.end == LAST else iso(order.end),
        "site": site.site.model_dump(mode="json"),
        "columns": [_column(column) for column in table.columns],
        "qualities": ["good", "uncertain", "bad"],
        "reasons": {
            word: QUALITY_OF[reason].name.lower() for reason, word in WORDS.items() if word
        },
        "missing": {word: WORDS[reason] for reason, word in TOLD.items() if WORDS[reason]},
        "transducers": {
            key: site.transducers[key].model_dump(mode="json", exclude_none=True)
            for key in order.transducers
        },
        "loops": {
            key: {"unit": site.loop_unit(key)}
            | site.loops[key].model_dump(mode="json", exclude_none=True)
            for key in order.loops
        },
        "caution": CAUTION,
    }


def _column(column: Column) -> dict[str, str]:
    return {"name": column.name, "unit": column.unit, "about": column.about}


def on_the_web(file: str, table: Table, known: Mapping[str, Any]) -> dict[str, Any]:
    """The same as CSVW metadata of a CSV file; file: its name or address, seen from here."""
    return {
        "@context": "http://www.w3.org/ns/csvw",
        "url": file,
        "dialect": {"delimiter": ",", "header": True, "encoding": "utf-8"},
        "dc:title": f"{known['site']['name'] or known['site']['id']}: {known['said']}",
        "dc:created": known["made"],
        "tableSchema": {"columns": [_on_the_web(column) for column in table.columns]},
        "notes": [{key: value for key, value in known.items() if key != "columns"}],
    }


def _on_the_web(column: Column) -> dict[str, Any]:
    out: dict[str, Any] = {
        "titles": column.name,
        "datatype": _DATATYPES.get(column.kind, "number"),
        "dc:description": column.about,
    }
    return out | ({"schema:unitText": column.unit} if column.unit else {})
