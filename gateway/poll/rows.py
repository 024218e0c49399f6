"""Scans of many controllers, each at its own pace, become rows over all points of the site."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from gateway.live import LinkState
from gateway.measure.blocks import Block
from gateway.measure.quality import Reason
from gateway.plant.site import Site

from .scan import Scan


class Rows:
    """Keeps the latest scan of each controller until the next row takes it."""

    def __init__(self, site: Site) -> None:
        self._columns: dict[str, slice] = {}
        start = 0
        for name, controller in site.controllers.items():
            self._columns[name] = slice(start, start + len(controller.points))
            start += len(controller.points)
        self._width = start
        self._waiting: dict[str, Scan] = {}
        self._seen: set[str] = set()
        self._links = {name: LinkState(name) for name in site.controllers}

    @property
    def links(self) -> Mapping[str, LinkState]:
        """How each controller answered at its latest scan, in file order."""
        return dict(self._links)

    def take(self, scan: Scan) -> None:
        """Remember a scan; a newer one before the next row takes its place.

        KeyError for a controller that is not of this site, ValueError for the wrong number of
        points.
        """
        columns = self._columns[scan.controller]
        points = columns.stop - columns.start
        if not len(scan.values) == len(scan.reasons) == points:
            raise ValueError(
                f"{scan.controller}: {len(scan.values)} values and {len(scan.reasons)} reasons; "
                f"allowed: {points} of each"
            )
        self._waiting[scan.controller] = scan
        self._links[scan.controller] = scan.link

    def row(self, time: float) -> Block:
        """A one-row block (1, points) at `time`, seconds since 1970 UTC.

        NaN with NOT_DUE for a controller that delivered nothing since the last row, with
        NOT_READ_YET before its first scan ever.
        """
        values = np.full((1, self._width), np.nan)
        reasons = np.full((1, self._width), Reason.NOT_DUE, dtype=np.uint8)
        self._seen |= self._waiting.keys()
        for name, columns in self._columns.items():
            if scan := self._waiting.get(name):
                values[0, columns] = scan.values
                reasons[0, columns] = scan.reasons
            elif name not in self._seen:
                reasons[0, columns] = Reason.NOT_READ_YET
        self._waiting.clear()
        return Block(np.array([time], dtype=np.float64), values, reasons)
