"""Recorded sensors as a site: each one a transducer behind an input that maps its values exactly.

Every sensor becomes a 4-20 mA transducer on an input that reads 0 to 24 mA with one count for each
step of the sensor's own resolution, at a controller of its own, since each was logged by itself;
two make a loop that averages them. The controller has a counter beside, as any has more than one
register: a logger that goes on writing rows is alive. One unit of whatever was measured stands for
1 Pa. What a site owner would state is taken from how well the healthy pair agrees:

- accuracy: half-width whose rectangular distribution makes 95 % of the healthy differences fit
  within the expanded uncertainty of a difference;
- tolerance: twice what 95 % of the healthy differences stay within, around their median (four
  standard deviations if they were normal);
- place difference: none for two in one place; for neighbours, which measure nearly but not exactly
  the same, what 99 % of the healthy differences stay within;
- no thermal effect, no instability.

Recordings at 10 rows a second are taken for scans one second apart (`stretch` 10): they last
minutes, and the gateway judges slow faults by the minute.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from gateway.measure.blocks import Block, Floats
from gateway.measure.quality import Reason
from gateway.plant.site import Site

BEGIN = 1_780_272_000.0
TOP_mA = 24.0


@dataclass(frozen=True)
class Sensor:
    """`lrv`, `urv` and `lsb` in the sensor's own unit."""

    lrv: float
    urv: float
    lsb: float
    interval_s: float
    volts: bool = False
    """True for a bare 0-5 V input: its counts are the values."""

    @property
    def zero(self) -> float:
        """What 0 mA (0 V) stands for."""
        return self.lrv if self.volts else self.lrv - (self.urv - self.lrv) / 4

    @property
    def top(self) -> int:
        """Counts at 24 mA (5 V)."""
        return round((1.0 if self.volts else 1.5) * (self.urv - self.lrv) / self.lsb)


@dataclass(frozen=True)
class Rig:
    """One sensor, or two that measure the same. `accuracy` and `tolerance` in their unit."""

    names: tuple[str, ...]
    sensors: tuple[Sensor, ...]
    accuracy: float
    tolerance: float
    place: float = 0.0
    """How far the two may truly differ."""
    stretch: float = 1.0
    """Seconds of the gateway's clock for one of the recording's."""

    @property
    def ids(self) -> tuple[str, ...]:
        """Names as a site file may have them."""
        return tuple(map(ident, self.names))

    def site(self) -> Site:
        """The site file's content."""
        return Site.model_validate({
            "site": {"id": "recorded"},
            "controllers": {
                f"logger-{k}": {
                    "host": "127.0.0.1", "interval_s": s.interval_s * self.stretch,
                    "heartbeat": "alive",
                    "points": {
                        "counts": {"table": "input", "address": 0, "type": "uint32"},
                        "alive": {"table": "input", "address": 2, "type": "uint32"},
                    },
                }
                for k, s in zip(self.ids, self.sensors, strict=True)
            },
            "transducers": {
                k: self._transducer(k, s) for k, s in zip(self.ids, self.sensors, strict=True)
            },
            "loops": {
                "pair": {
                    "transducers": self.ids,
                    "combine": "single" if len(self.names) == 1 else "average",
                    "place_difference": self.place,
                }
            },
        })  # fmt: skip

    def _transducer(self, name: str, s: Sensor) -> dict[str, Any]:
        share = 100 / (s.urv - s.lrv)
        return {
            "counts": f"logger-{name}.counts", "signal": "0-5 V" if s.volts else "4-20 mA",
            "input": {
                "counts": [0, s.top], "electrical": [0, 5 if s.volts else TOP_mA],
                "unit": "V" if s.volts else "mA",
            },
            "range": [s.lrv, s.urv], "unit": "Pa",
            "accuracy_pct_span": min(25.0, self.accuracy * share),
            "tolerance_pct_span": min(50.0, self.tolerance * share),
            "thermal_pct_span_per_K": 0.0, "stability_pct_span_per_year": 0.0,
        }  # fmt: skip

    def block(self, time: Floats, values: Floats) -> Block:
        """(R,) seconds of the recording and (R, n) values as scans of the gateway.

        An empty cell is "not due" between the scans of a slower sensor, else a failed read.
        """
        points = np.empty((len(time), 2 * len(self.sensors)))
        reasons = np.zeros(points.shape, dtype=np.uint8)
        quickest = min(s.interval_s for s in self.sensors)
        for k, s in enumerate(self.sensors):
            counts, both = points[:, 2 * k], slice(2 * k, 2 * k + 2)
            counts[:] = np.clip(np.round((values[:, k] - s.zero) / s.lsb), 0, s.top)
            empty = np.isnan(values[:, k])
            points[:, 2 * k + 1] = np.where(empty, np.nan, np.arange(len(time)))
            slow = s.interval_s > 1.5 * quickest
            reasons[empty, both] = Reason.NOT_DUE if slow else Reason.NO_COMMUNICATION
        return Block(BEGIN + time * self.stretch, points, reasons)


def ident(name: str) -> str:
    """A column's name as an identifier of a site file."""
    return name.lower().replace("_", "-")


def pair(
    names: tuple[str, str],
    sensors: tuple[Sensor, Sensor],
    healthy: Floats,
    stretch: float = 1.0,
    *,
    neighbours: bool = False,
) -> Rig:
    """A rig of two sensors; healthy: (R, 2) of their values without any fault."""
    difference = healthy[:, 0] - healthy[:, 1]
    difference = difference[np.isfinite(difference)]
    finest = min(s.lsb for s in sensors)
    reach = float(np.quantile(np.abs(difference), 0.95))
    accuracy = max(reach / 2 * (3 / 2) ** 0.5, finest)
    centre = float(np.median(difference))
    tolerance = 2 * max(float(np.quantile(np.abs(difference - centre), 0.95)), 2 * finest)
    place = float(np.quantile(np.abs(difference), 0.99)) if neighbours else 0.0
    return Rig(names, sensors, accuracy, tolerance, place, stretch)


def single(name: str, sensor: Sensor, stretch: float = 1.0) -> Rig:
    """A rig of one sensor, whose accuracy nobody can tell: 1 % of span, tolerance 2 %."""
    span = sensor.urv - sensor.lrv
    return Rig((name,), (sensor,), span / 100, span / 50, stretch=stretch)
