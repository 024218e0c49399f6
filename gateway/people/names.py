"""Names of people, as they stand in the journal: nobody can pose as the program or a protocol."""

from __future__ import annotations

import re
import unicodedata

LONGEST = 80
# Line ends, and characters that turn the order of what is read, would let a text pose as another.
UNSEEN = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u200e\u200f\u202a-\u202e\u2066-\u2069]")
RESERVED = ("gateway", "local")
"""Names under which the program itself stands in the journal; protocols stand in brackets."""


def seen(text: str) -> str:
    """The text without spaces around it; ValueError when there is something one cannot see."""
    if UNSEEN.search(text):
        raise ValueError("one line of letters, digits and signs that can be seen")
    return text.strip()


def name(text: str) -> str:
    """The name of a person; ValueError says what one is."""
    found = seen(text)
    if not 0 < len(found) <= LONGEST or found.casefold() in RESERVED or set(found) & set("()"):
        raise ValueError(
            f"the name of a person: 1 to {LONGEST} characters, without brackets, not "
            + " or ".join(RESERVED)
        )
    return found


def same(text: str) -> str:
    """What two spellings of one name have in common: case, and how letters are composed."""
    return unicodedata.normalize("NFKC", text.strip()).casefold()
