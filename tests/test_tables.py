"""The tables of the documents are those of the code."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_the_tables_are_up_to_date(name: str) -> None:
    made = runpy.run_path(str(ROOT / "deploy" / "tables.py"))["written"]
    text = (ROOT / name).read_text(encoding="utf-8")
    assert made(name, text) == text, "run python deploy/tables.py"
