"""Harbour Street Archive, fictional: which space and which tuning belongs to which loop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from gateway.errors import StartError
from gateway.plant.site import Site

from .drive import Tuning
from .spaces import Duct, Plenum, Shaft, Space

HOUR_S = 3600.0


@dataclass(frozen=True)
class Blueprint:
    """One loop of the archive. `setpoint_pa`: what its controller holds; `command`: at rest."""

    build: Callable[[int, Site, str, float], Space]
    """(seed, site, loop id, quiet seconds) -> space."""
    tuning: Tuning
    setpoint_pa: float
    command: float


def _shaft(seed: int, site: Site, loop: str, quiet_s: float) -> Space:
    nouns = [site.transducers[key] for key in site.loops[loop].transducers]
    heights = [Shaft.MIDDLE_M if n.elevation_m is None else n.elevation_m for n in nouns]
    return Shaft(seed, heights, quiet_s)


def _duct(seed: int, site: Site, loop: str, _quiet_s: float) -> Space:
    return Duct(seed, len(site.loops[loop].transducers))


def _plenum(seed: int, site: Site, loop: str, _quiet_s: float) -> Space:
    return Plenum(seed, len(site.loops[loop].transducers))


BLUEPRINTS: dict[str, Blueprint] = {
    "stair-b": Blueprint(
        _shaft,
        Tuning(
            gain=0.3, integral_s=6.0, ramp_per_s=0.05, lowest=0.25,
            stop_after_s=5.5 * HOUR_S, stop_every_s=12 * HOUR_S, stop_for_s=360.0,
        ),
        setpoint_pa=50.0,
        command=0.64,
    ),
    "ahu-1-supply": Blueprint(
        _duct,
        Tuning(
            gain=0.25, integral_s=7.0, ramp_per_s=0.04, lowest=0.25,
            stop_after_s=2.2 * HOUR_S, stop_every_s=6 * HOUR_S, stop_for_s=600.0,
        ),
        setpoint_pa=249.08891,
        command=0.75,
    ),
    "exhaust-plenum": Blueprint(
        _plenum,
        Tuning(
            gain=0.25, integral_s=6.0, ramp_per_s=0.05, lowest=0.3,
            stop_after_s=3.4 * HOUR_S, stop_every_s=8 * HOUR_S, stop_for_s=480.0,
        ),
        setpoint_pa=-200.0,
        command=0.7,
    ),
}  # fmt: skip


def blueprint(loop: str) -> Blueprint:
    """StartError for a loop that the archive does not have."""
    if loop not in BLUEPRINTS:
        known = ", ".join(BLUEPRINTS)
        raise StartError(f"loops.{loop}: the demo plant has no such loop; allowed: {known}")
    return BLUEPRINTS[loop]
