"""The learnt picture of a loop, in the units and words in which a person can check it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from pydantic import BaseModel, Field

from gateway.diagnose.lag import ENOUGH as LAG_ENOUGH
from gateway.diagnose.minutes import width_of
from gateway.diagnose.picture import ENOUGH, FULL, RUNNING, STOPPED, Picture, from_dict
from gateway.measure.blocks import Floats
from gateway.measure.columns import columns
from gateway.plant.site import Site
from gateway.views import iso, number, pressure

HOUR_S = 3600.0


class LearntTransducer(BaseModel):
    """What fault-free running taught of one transducer, in `unit`; null where nothing yet.

    "The others" are those that measure the same pressure in its loop (the middle one of them).
    """

    id: str
    unit: str
    since: str | None = Field(description="First minute learnt.")
    until: str | None = Field(description="Last minute learnt.")
    running_hours: float = Field(description="How much was learnt while the fan ran.")
    stopped_hours: float = Field(description="How much was learnt with the fan off.")
    in_use: bool = Field(description="Enough was learnt with the fan running to judge by it.")
    offset: float | None = Field(description="Its reading less the others', fan running, mean.")
    offset_by_output: float | None = Field(
        description="Change of that for each squared unit of output; 0 where it explains little."
    )
    scatter: float | None = Field(
        description="Standard deviation of single minutes about that, with the output allowed for."
    )
    swing: float | None = Field(
        description="From the lowest to the highest of the smoothed rest: the swing of the days."
    )
    correlation: float | None = Field(description="Of successive minutes, 0 to 0.98.")
    gain: float | None = Field(
        description="Slope of its readings against the others' within a minute; noise alone makes "
        "it less than 1."
    )
    noise: float | None = Field(description="Standard deviation of single readings, fast part.")
    lag_s: float | None = Field(
        description="Seconds by which it moves after the others (negative: before them)."
    )
    at_rest: float | None = Field(description="Its reading with the fan off, mean.")
    at_rest_offset: float | None = Field(description="The same less the others'.")


class LearntView(BaseModel):
    """What fault-free running taught of one loop; pressures in `unit`."""

    unit: str
    output_unit: str
    full_hours: float = Field(description="Nothing more is learnt after so many hours of either.")
    enough_hours: float = Field(description="Used from so many hours of running on.")
    pressure_per_output_squared: float | None = Field(
        description="Combined pressure over squared output, fan running and settled, mean."
    )
    pressure_per_output_squared_percent: float | None = Field(
        description="Standard deviation of that, % of it: doors, dampers, leaks."
    )
    reset: str = Field(description="Command that lets the gateway learn anew, after work on it.")
    transducers: list[LearntTransducer]


class Learnt:
    """Reads the picture that `Live.learnt` holds; decoded once for each renewal."""

    def __init__(self, site: Site) -> None:
        self._site, self._columns = site, columns(site)
        self._hours = width_of(self._columns) / HOUR_S
        self._stored: Mapping[str, Any] = {}
        self._picture: Picture = from_dict({}, self._columns)

    def of_loop(self, stored: Mapping[str, Any], loop_id: str) -> LearntView:
        """The view of one loop; KeyError for an unknown id."""
        p, noun, unit = self._read(stored), self._site.loops[loop_id], self._site.loop_unit(loop_id)
        k = self._site.loop_column(loop_id)
        count, mean = float(p.speed_count[k]), float(p.speed_mean[k])
        known = count > 0 and mean != 0
        percent = 100 * np.sqrt(p.speed_square[k] / count) / abs(mean) if known else np.nan
        return LearntView(
            unit=unit,
            output_unit=self._site.point(noun.output).unit if noun.output else "",
            full_hours=FULL * self._hours,
            enough_hours=float(ENOUGH[RUNNING, 0]) * self._hours,
            pressure_per_output_squared=pressure(mean, unit) if known else None,
            pressure_per_output_squared_percent=number(float(percent), 3),
            reset=f'loopwitness relearn {loop_id} --reason "what was done"',
            transducers=[self._transducer(p, key) for key in noun.transducers],
        )

    def noise(self, stored: Mapping[str, Any], transducer_id: str) -> float | None:
        """Standard deviation of single readings in the transducer's unit; None when not learnt."""
        p, k = self._read(stored), self._site.transducer_column(transducer_id)
        unit = self._site.transducers[transducer_id].unit
        seen = p.count[RUNNING, k] > 0
        return pressure(float(np.sqrt(p.noise[RUNNING, k])), unit) if seen else None

    def _read(self, stored: Mapping[str, Any]) -> Picture:
        if stored is not self._stored:
            self._stored, self._picture = stored, from_dict(stored, self._columns)
        return self._picture

    def _transducer(self, p: Picture, key: str) -> LearntTransducer:
        k, unit = self._site.transducer_column(key), self._site.transducers[key].unit

        def shown(values: Floats, state: int) -> float | None:
            return pressure(float(values[state, k]), unit) if p.count[state, k] > 0 else None

        with np.errstate(invalid="ignore", divide="ignore"):
            gain = p.together / p.peer_wander
        ran = p.count[RUNNING, k] > 0
        return LearntTransducer(
            id=key,
            unit=unit,
            since=_day(float(p.since[k])),
            until=_day(float(p.until[k])),
            running_hours=round(float(p.count[RUNNING, k]) * self._hours, 2),
            stopped_hours=round(float(p.count[STOPPED, k]) * self._hours, 2),
            in_use=bool(p.ready()[RUNNING, k]),
            offset=shown(p.difference, RUNNING),
            offset_by_output=shown(p.slope(), RUNNING),
            scatter=shown(p.sd(), RUNNING),
            swing=shown(p.high - p.low, RUNNING),
            correlation=number(float(p.phi()[RUNNING, k]), 3) if ran else None,
            gain=number(float(gain[RUNNING, k]), 3) if ran else None,
            noise=shown(np.sqrt(p.noise), RUNNING),
            lag_s=number(float(p.lag[k]), 2) if p.lag_count[k] >= LAG_ENOUGH else None,
            at_rest=shown(p.level, STOPPED),
            at_rest_offset=shown(p.difference, STOPPED),
        )


def _day(seconds: float) -> str | None:
    return iso(seconds) if np.isfinite(seconds) else None
