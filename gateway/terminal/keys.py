"""Lines from standard input, without waiting longer than wanted."""

from __future__ import annotations

import os
import select


class Keys:
    """What a person types, a line at a time; `ended` once nothing more can come."""

    def __init__(self, fd: int = 0) -> None:
        self._fd, self._rest = fd, b""
        self.ended = False

    def line(self, seconds: float | None = None) -> str | None:
        """The next line without its end; None when there is none within `seconds`, or at the end.

        None: wait for ever.
        """
        while b"\n" not in self._rest:
            if self.ended:
                return self._last()
            ready, _, _ = select.select([self._fd], [], [], seconds)
            if not ready:
                return None
            more = os.read(self._fd, 4096)
            self.ended = not more
            self._rest += more
        line, _, self._rest = self._rest.partition(b"\n")
        return line.decode(errors="replace").strip()

    def _last(self) -> str | None:
        line, self._rest = self._rest, b""
        return line.decode(errors="replace").strip() if line else None
