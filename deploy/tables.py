"""Write the tables of README.md that come from the code: settings and faults.

Run it after changing a setting or the catalogue; a test fails when the tables are behind.
"""

from __future__ import annotations

from pathlib import Path

from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.settings import Settings

README = Path(__file__).parent.parent / "README.md"


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


def written(text: str) -> str:
    """The text with both tables renewed between their marks."""
    for mark, table in (("settings", settings_table()), ("faults", faults_table())):
        start, end = f"<!-- {mark}: made by deploy/tables.py -->\n", f"\n<!-- end of {mark} -->"
        head, rest = text.split(start)
        tail = rest.split(end)[1]
        text = head + start + table + end + tail
    return text


if __name__ == "__main__":
    README.write_text(written(README.read_text(encoding="utf-8")), encoding="utf-8")
