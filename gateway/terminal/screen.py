"""Lines on standard output; the last one may be replaced where there is a terminal."""

from __future__ import annotations

import sys

CLEAR = "\r\x1b[2K"


class Screen:
    """Where a session speaks."""

    def __init__(self) -> None:
        self._moves = sys.stdout.isatty()
        self._passing = False

    def say(self, line: str) -> None:
        """A line that stays."""
        self._write(f"{line}\n")
        self._passing = False

    def show(self, line: str) -> None:
        """A line that the next one may replace."""
        self._write(line if self._moves else f"{line}\n")
        self._passing = self._moves

    def _write(self, text: str) -> None:
        sys.stdout.write((CLEAR if self._passing else "") + text)
        sys.stdout.flush()
