"""The README's tables are those of the code."""

from __future__ import annotations

import runpy
from pathlib import Path

ROOT = Path(__file__).parent.parent


def test_the_tables_of_the_readme_are_up_to_date() -> None:
    made = runpy.run_path(str(ROOT / "deploy" / "tables.py"))["written"]
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert made(text) == text, "run python deploy/tables.py"
