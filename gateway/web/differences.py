"""How far the transducers of a loop may be apart and both be healthy; what was usual so far."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from pydantic import BaseModel, Field

from gateway.measure.columns import columns
from gateway.measure.uncertainty import COVERAGE, budget
from gateway.plant.site import Site
from gateway.plant.units import PASCALS
from gateway.views import number, pressure

from .learnt import Learnt

UNLIKE = ("sum", "difference")
"""Combinations of transducers that do not measure the same pressure."""


class DifferenceView(BaseModel):
    """A transducer less the middle one of the others of its loop, in the loop's unit."""

    id: str
    others: list[str]
    limit: float | None = Field(
        description="Both are healthy within plus or minus this: the expanded uncertainty of the "
        "difference, and what the places allow."
    )
    uncertainty: float | None = Field(description="The first part of it: 2 u.")
    place: float | None = Field(description="The second part, from the site file.")
    usual: float | None = Field(description="Mean as learnt while nothing was wrong.")


class Differences:
    """Works out the limits of one site."""

    def __init__(self, site: Site, learnt: Learnt) -> None:
        self._site, self._learnt = site, learnt
        self._columns = columns(site)

    def of_loop(self, stored: Mapping[str, Any], loop_id: str, time: float) -> list[DifferenceView]:
        """Of one loop at `time`, seconds since 1970; none where there is nothing to compare.

        With two transducers one is enough, the other is its mirror. KeyError for an unknown id.
        """
        noun, unit = self._site.loops[loop_id], self._site.loop_unit(loop_id)
        if len(noun.transducers) < 2 or noun.combine in UNLIKE:
            return []
        u = budget(time, self._columns.transducers).standard
        place = noun.place_difference * PASCALS[unit]
        known = {one.id: one for one in self._learnt.of_loop(stored, loop_id).transducers}
        found = []
        for key in noun.transducers[: 1 if len(noun.transducers) == 2 else None]:
            others = [k for k in noun.transducers if k != key]
            worst = max(float(u[self._site.transducer_column(k)]) for k in others)
            expanded = COVERAGE * float(np.hypot(u[self._site.transducer_column(key)], worst))
            usual = known[key].offset
            own = PASCALS[self._site.transducers[key].unit] / PASCALS[unit]
            found.append(
                DifferenceView(
                    id=key, others=others, limit=pressure(expanded + place, unit),
                    uncertainty=pressure(expanded, unit), place=pressure(place, unit),
                    usual=None if usual is None else number(usual * own),
                )
            )  # fmt: skip
        return found
