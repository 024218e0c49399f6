"""Typst, without system fonts, network or clock: the same input is the same bytes anywhere.

PDF/A-2a: it can be read in twenty years, and by a screen reader. Templates lie beside this file.
Letters that the built-in fonts lack are shown as "?", and the page says so; a font of this machine
would make other bytes on the next.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import typst

from gateway.errors import LoopwitnessError

HERE = Path(__file__).parent
STANDARD: Final = "a-2a"
LACKING = re.compile(r'the text `"(.+?)"` could not be displayed')
MOST_LACKING = 100
"""Different letters that are replaced one after the other; beyond, all that are not Latin."""

NOT_LATIN = re.compile(r"[^\u0000-\u024f\u2000-\u22ff]")


class PaperError(LoopwitnessError):
    """A page that cannot be set: our own mistake, told with what the typesetter says."""

    exit_code = 70


def pdf(template: str, data: Mapping[str, Any]) -> bytes:
    """A template of this folder with its data; PaperError when they do not fit.

    Text in the data is text, never markup. The template is told as `lacking` whether letters of
    it had to be replaced.
    """
    text = json.dumps({**data, "lacking": False}, ensure_ascii=False, allow_nan=False)
    for left in range(MOST_LACKING, -1, -1):
        try:
            return _set(template, text)
        except typst.TypstError as error:
            found = LACKING.search(str(error))
            if found is None or left == 0:
                raise PaperError(f"{template}: {error}") from error
            text = "".join("?" if letter in found[1] else letter for letter in text)
            text = NOT_LATIN.sub("?", text) if left == 1 else text
            text = json.dumps({**json.loads(text), "lacking": True}, ensure_ascii=False)
    raise AssertionError("the last turn returns or raises")


def _set(template: str, text: str) -> bytes:
    return typst.compile(
        HERE / template, root=HERE, sys_inputs={"data": text}, format="pdf",
        ignore_system_fonts=True, pdf_standards=[STANDARD],
    )  # fmt: skip
