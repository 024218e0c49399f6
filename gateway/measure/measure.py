"""The order of the stages from a block of register values to readings."""

from __future__ import annotations

import numpy as np

from gateway.plant.site import Site

from . import combine, scale
from .blocks import Block, Bools, Codes, Floats, Readings
from .columns import ABSENT, Columns, Ints, columns
from .hold import column_time, forward_fill, last
from .quality import Reason, quality_of


class Measure:
    """Turns blocks into readings; remembers the last reading of every point between blocks."""

    def __init__(self, site: Site) -> None:
        self.columns: Columns = columns(site)
        n = len(self.columns.points.refs)
        self._value: Floats = np.full(n, np.nan)
        self._reason: Codes = np.full(n, Reason.NOT_READ_YET, dtype=np.uint8)
        self._read: Floats = np.full(n, -np.inf)
        self._link: Codes = np.full(
            len(self.columns.controllers.ids), Reason.NOT_READ_YET, dtype=np.uint8
        )
        self._groups = combine.groups(self.columns.loops)

    def examine(self, block: Block) -> Readings:
        """Readings of every row of the block, in order. ValueError if its columns do not fit."""
        if block.values.shape[1] != len(self._value):
            raise ValueError(
                f"block of {block.values.shape[1]} points: the site has {len(self._value)}"
            )
        values, reasons, fresh = self._hold(block)
        link, polled = self._links(block)
        t = self.columns.transducers
        counts = values[:, t.counts]
        signal = scale.electrical(counts, t)
        point_reasons = reasons[:, t.counts]
        why = np.where(point_reasons != Reason.NONE, point_reasons, scale.reasons(signal, t))
        why = why.astype(np.uint8)
        pressure = scale.pressure(signal, t)
        quality = quality_of(why)
        loops = self.columns.loops
        combined = combine.combine_loops(self._groups, len(loops.ids), pressure, quality)
        return Readings(
            time=block.time,
            points=values,
            point_reasons=reasons,
            point_fresh=fresh,
            link=link,
            polled=polled,
            counts=counts,
            electrical=signal,
            pressure=pressure,
            quality=quality,
            reasons=why,
            fresh=fresh[:, t.counts],
            controller_value=self._pascals(values, t.controller_value),
            combined=combined.pressure,
            combined_quality=combined.quality,
            combined_reasons=combined.reasons,
            driver=combined.driver,
            feedback=self._pascals(values, loops.feedback),
            setpoint=self._pascals(values, loops.setpoint),
            output=_chosen(values, loops.output),
            running=_chosen(values, loops.running),
        )

    def _hold(self, block: Block) -> tuple[Floats, Codes, Bools]:
        """Held values, their reasons, and where a row brought a new value."""
        n = len(self._value)
        told = (block.reasons != Reason.NOT_DUE) & (block.reasons != Reason.NOT_READ_YET)
        value = forward_fill(block.values, told, self._value)
        reason = forward_fill(block.reasons, told, self._reason)
        when = column_time(block.time, n)
        read = forward_fill(when, told, self._read)
        self._value, self._reason, self._read = last(value), last(reason), last(read)
        limit = self.columns.controllers.stale_after[self.columns.points.controller]
        stale = (when - read > limit) & (reason == Reason.NONE)
        value = np.where(stale, np.nan, value)
        reason = np.where(stale, np.uint8(Reason.STALE), reason).astype(np.uint8)
        return value, reason, told & (block.reasons == Reason.NONE)

    def _links(self, block: Block) -> tuple[Codes, Bools]:
        """(rows, C) reason of each controller's latest poll, and where a row brought one."""
        c = self.columns.controllers
        shape = (len(block), len(c.ids))
        now = np.full(shape, Reason.NONE, dtype=np.uint8)
        polled = np.zeros(shape, dtype=np.bool_)
        filled = c.last > c.first
        starts = c.first[filled]
        if len(starts):
            told = (block.reasons != Reason.NOT_DUE) & (block.reasons != Reason.NOT_READ_YET)
            polled[:, filled] = np.logical_or.reduceat(told, starts, axis=1)
            for reason in (Reason.BAD_REPLY, Reason.NO_COMMUNICATION):  # the graver one last
                any_such = np.logical_or.reduceat(block.reasons == reason, starts, axis=1)
                part = now[:, filled]
                part[any_such] = reason
                now[:, filled] = part
        link = forward_fill(now, polled, self._link)
        self._link = last(link)
        return link, polled

    def _pascals(self, values: Floats, which: Ints) -> Floats:
        """(rows, n) pressures of points, NaN where a point is absent."""
        result: Floats = _chosen(values, which) * np.where(
            which == ABSENT, np.nan, self.columns.points.pa[which]
        )
        return result


def _chosen(values: Floats, which: Ints) -> Floats:
    """(rows, n) columns of `values`, NaN where absent."""
    if values.shape[1] == 0:
        return np.full((len(values), len(which)), np.nan)
    return np.where(which == ABSENT, np.nan, values[:, which])
