"""How far a site's transducers are to be trusted: uncertainty, and the faults that they hide.

The shapes in which commands and the HTTP interface tell of it; pressures in the transducer's unit.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from pydantic import BaseModel, Field

from gateway.diagnose.catalogue.faults import CATALOGUE
from gateway.diagnose.visibility import Hidden, hidden, loop_hidden
from gateway.measure.columns import columns
from gateway.measure.uncertainty import COVERAGE, budget
from gateway.plant.site import Site

from .views import number, pressure


class UncertaintyView(BaseModel):
    """Standard uncertainty of a transducer (GUM) in `unit`, its parts, and what it comes to."""

    unit: str
    accuracy: float | None = Field(description="Standard uncertainty from the accuracy statement.")
    thermal: float | None = Field(description="The same from temperature away from calibration.")
    stability: float | None = Field(description="The same from drift since calibration.")
    resolution: float | None = Field(description="The same from the size of a count.")
    standard: float | None = Field(description="Root of the sum of their squares: u.")
    coverage: float = Field(description="k: the expanded uncertainty is k times the standard one.")
    expanded: float | None = Field(description="U = k u, about 95 %: what limits are made of.")
    expanded_percent_span: float | None
    calibrated: str | None = Field(description="Day of the last calibration, as in the site file.")
    years: float | None = Field(
        description="Years of drift counted; 1 where the site file gives no day."
    )


class HiddenView(BaseModel):
    """A fault that cannot be seen on a subject, or not always, and why."""

    fault: str
    title: str
    extent: Literal["never", "partly", "absent"] = Field(
        description="never: not seen here, or only under another name; partly: only under the "
        "condition told; absent: it cannot arise here."
    )
    why: str


class Trust:
    """What is asked of one site again and again, worked out once.

    time: seconds since 1970 at which the hidden faults are worked out; their numbers hardly move.
    """

    def __init__(self, site: Site, time: float) -> None:
        self._site = site
        self._columns = columns(site).transducers
        self._hidden, self._of_loops = hidden(site, time), loop_hidden(site)

    def uncertainty(self, transducer_id: str, time: float) -> UncertaintyView:
        """Of one transducer at `time`; KeyError for an unknown id."""
        k, noun = self._site.transducer_column(transducer_id), self._site.transducers[transducer_id]
        b = budget(time, self._columns)
        expanded = COVERAGE * float(b.standard[k])
        return UncertaintyView(
            unit=noun.unit,
            accuracy=pressure(float(b.accuracy[k]), noun.unit),
            thermal=pressure(float(b.thermal[k]), noun.unit),
            stability=pressure(float(b.stability[k]), noun.unit),
            resolution=pressure(float(b.resolution[k]), noun.unit),
            standard=pressure(float(b.standard[k]), noun.unit),
            coverage=COVERAGE,
            expanded=pressure(expanded, noun.unit),
            expanded_percent_span=number(100 * expanded / noun.span_pa, 4),
            calibrated=noun.calibrated.isoformat() if noun.calibrated else None,
            years=number(float(b.years[k]), 4),
        )

    def hidden(self, transducer_id: str) -> list[HiddenView]:
        """Faults that a transducer hides, in the catalogue's order; KeyError for an unknown id."""
        return _views(self._hidden[transducer_id])

    def of_loop(self, loop_id: str) -> list[HiddenView]:
        """The same of a loop."""
        return _views(self._of_loops[loop_id])


def _views(found: Iterable[Hidden]) -> list[HiddenView]:
    return [
        HiddenView(fault=h.fault, title=CATALOGUE[h.fault].title, extent=h.extent, why=h.why)
        for h in found
    ]
