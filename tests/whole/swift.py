"""The command with readings that count as still after a second: `python swift.py WORDS...`.

For tests alone, whose calibrators do not swing: five rows are still needed.
"""

from __future__ import annotations

from gateway import __main__
from gateway.loopcheck import settling

settling.WINDOW_S = 1.0
__main__.main()
