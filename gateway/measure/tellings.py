"""Why values of a controller are missing, told in a short text for each row, and read back.

"no-communication" holds for all points of the controller; "bad-reply: ai1 ai2; invalid-value:
feedback" for the points named; nothing where nothing is missing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .blocks import Codes
from .quality import Reason

WORDS: dict[Reason, str] = {
    reason: reason.name.lower().replace("_", "-")
    for reason in Reason
    if reason < Reason.FAILURE_LOW
}
"""Reasons that a poll can have; the others are made of values."""
_BY_WORD = {word: reason for reason, word in WORDS.items() if reason != Reason.NONE}
ALLOWED = f"{', '.join(_BY_WORD)}; each alone, or with a colon and names of points"


def told(codes: Codes, points: Sequence[str]) -> list[str]:
    """(R,) texts of (R, n) reason codes of a controller's n points."""
    if not codes.size:
        return [""] * len(codes)
    rows = np.ascontiguousarray(codes).view(np.dtype((np.void, codes.shape[1]))).reshape(-1)
    kinds, which = np.unique(rows, return_inverse=True)
    texts = [_text(np.frombuffer(kind.tobytes(), dtype=np.uint8), points) for kind in kinds]
    return [texts[k] for k in which.tolist()]


def _text(codes: Codes, points: Sequence[str]) -> str:
    found = [Reason(code) for code in np.unique(codes).tolist()]
    if found == [Reason.NONE]:
        return ""
    if len(found) == 1:
        return WORDS[found[0]]
    return "; ".join(
        f"{WORDS[reason]}: {' '.join(points[k] for k in np.flatnonzero(codes == reason).tolist())}"
        for reason in found
        if reason != Reason.NONE
    )


def codes_told(texts: Sequence[str], points: Sequence[str]) -> Codes:
    """(R, n) reason codes of (R,) texts, NONE where nothing is told; the reverse of `told`.

    ValueError carries the text that cannot be read.
    """
    known = {text: _codes(text, points) for text in set(texts)}
    out = np.zeros((len(texts), len(points)), dtype=np.uint8)
    for row, text in enumerate(texts):
        if text:
            out[row] = known[text]
    return out


def _codes(text: str, points: Sequence[str]) -> Codes:
    out = np.zeros(len(points), dtype=np.uint8)
    for part in filter(None, (one.strip() for one in text.split(";"))):
        word, colon, names = part.partition(":")
        places = [_place(name, points, text) for name in names.split()]
        if word not in _BY_WORD or bool(colon) != bool(places):
            raise ValueError(text)
        out[places or range(len(points))] = _BY_WORD[word]
    return out


def _place(name: str, points: Sequence[str], text: str) -> int:
    if name not in points:
        raise ValueError(text)
    return points.index(name)
