"""Write the tables of the documents that come from the code: settings, faults, alarm states.

Run it after changing a setting, the catalogue or the states; a test fails when they are behind.
"""

from __future__ import annotations

from itertools import groupby
from pathlib import Path

from gateway.alarm.states import table_rows
from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.settings import Settings

ROOT = Path(__file__).parent.parent


def settings_table() -> str:
    """Every setting with its default and what it is for."""
    rows = ["| variable | default | what |", "|---|---|---|"]
    for name, field in Settings.model_fields.items():
        default = field.default
        secret = "" if hasattr(default, "get_secret_value") else default
        shown = f"`{secret}`" if secret not in ("", None) else ""
        what = " ".join((field.description or name.replace("_", " ")).split())
        rows.append(f"| `LOOPWITNESS_{name.upper()}` | {shown} | {what} |")
    return "\n".join(rows)


def faults_table() -> str:
    """Every fault with its signature and when it stays hidden."""
    rows = ["| fault | seen by | stays hidden when |", "|---|---|---|"]
    rows += [f"| `{e.fault}` | {e.signature} | {e.hidden_when} |" for e in CATALOGUE.values()]
    return "\n".join(rows)


def states_table() -> str:
    """Where every event leads from every alarm state, and what is refused."""
    rows = ["| state | leads to | refused |", "|---|---|---|"]
    for state, cells in groupby(table_rows(), key=lambda row: f"{row[0]} {row[1]}"):
        told = [(f"**{event}**", *outcome.partition("refused: ")) for _, _, event, outcome in cells]
        leads = "<br>".join(f"{event}: {to}" for event, to, _, why in told if not why)
        refused = "<br>".join(f"{event}: {why}" for event, _, _, why in told if why)
        rows.append(f"| {state} | {leads} | {refused} |")
    return "\n".join(rows)


TABLES = {
    "README.md": {"settings": settings_table, "faults": faults_table},
    "DEVELOPERS.md": {"states": states_table},
}


def written(name: str, text: str) -> str:
    """The text of a document with its tables renewed between their marks."""
    for mark, table in TABLES[name].items():
        start, end = f"<!-- {mark}: made by deploy/tables.py -->\n", f"\n<!-- end of {mark} -->"
        head, rest = text.split(start)
        tail = rest.split(end)[1]
        text = head + start + table() + end + tail
    return text


if __name__ == "__main__":
    for name in TABLES:
        file = ROOT / name
        file.write_text(written(name, file.read_text(encoding="utf-8")), encoding="utf-8")
