"""Typst, without system fonts, network or clock: the same input is the same bytes anywhere.

PDF/A-2a: it can be read in twenty years, and by a screen reader. Templates lie beside this file.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import typst

from gateway.errors import LoopwitnessError

HERE = Path(__file__).parent
STANDARD: Final = "a-2a"


class PaperError(LoopwitnessError):
    """A page that cannot be set: our own mistake, told with what the typesetter says."""

    exit_code = 70


def pdf(template: str, data: Mapping[str, Any]) -> bytes:
    """A template of this folder with its data; PaperError when they do not fit.

    Text in the data is text, never markup.
    """
    text = json.dumps(data, ensure_ascii=False, allow_nan=False)
    try:
        made = typst.compile(
            HERE / template, root=HERE, sys_inputs={"data": text}, format="pdf",
            ignore_system_fonts=True, pdf_standards=[STANDARD],
        )  # fmt: skip
    except typst.TypstError as error:
        raise PaperError(f"{template}: {error}") from error
    return made
