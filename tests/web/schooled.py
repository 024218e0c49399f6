"""A learnt picture made by hand: minute after minute of an invented, sound plant."""

from __future__ import annotations

from typing import Any

import numpy as np

from gateway.diagnose.picture import (
    RUNNING,
    STOPPED,
    Picture,
    blank,
    learn,
    learn_speed,
    to_dict,
)
from gateway.measure.columns import Columns, columns
from gateway.plant.site import Site

from .archive import CENTRE, START

OUTPUT = 38.2
"""Hz at which every loop holds its set point, as the feeder shows it."""
OFFSET, NOISE, GAIN, REST = 0.004, 0.0008, 0.92, 0.001
"""Shares of span, and the share of the others' movement that is seen."""


def picture(site: Site, *, running: int = 600, stopped: int = 0, end: float = START) -> Picture:
    """So many minutes learnt in either state, the last of them at `end`, seconds since 1970.

    Within each loop the first transducer reads OFFSET of span above the others.
    """
    here = columns(site)
    made = blank(here)
    rng = np.random.default_rng(5)
    t = here.transducers
    first = np.array([len(members) > 1 for members in here.loops.members])
    lead = np.zeros(len(t.ids))
    lead[[members[0] for members in here.loops.members]] = 1.0
    centre = np.array([CENTRE[site.loops_of(key)[0]] for key in t.ids])
    everyone = np.ones(len(t.ids), dtype=np.bool_)
    for state, minutes in ((RUNNING, running), (STOPPED, stopped)):
        for k in range(minutes):
            minute = end - 60 * (minutes - 1 - k)
            drive = (OUTPUT + rng.normal(0, 1)) ** 2
            seen = _minute(t.span, lead, centre, rng, drive if state == RUNNING else 0.0)
            learn(made, state, everyone, minute, seen)
            if state == RUNNING:
                ratio = np.array([CENTRE[key] for key in here.loops.ids]) / drive
                learn_speed(made, first, ratio)
    return made


def _minute(
    span: np.ndarray[Any, Any],
    lead: np.ndarray[Any, Any],
    centre: np.ndarray[Any, Any],
    rng: np.random.Generator,
    drive: float,
) -> dict[str, np.ndarray[Any, Any]]:
    n, runs = len(span), drive > 0
    offset = span * OFFSET * lead if runs else 0.0 * span
    return {
        "difference": offset + span * rng.normal(0, 0.001, n),
        "drive": np.full(n, drive),
        "level": centre + offset if runs else span * REST,
        "noise": (span * NOISE) ** 2,
        "wander": (span * 0.003) ** 2,
        "moving": np.full(n, 0.9),
        "together": GAIN * (span * 0.002) ** 2,
        "peer_wander": (span * 0.002) ** 2,
    }


def schooled(site: Site, **how: Any) -> dict[str, Any]:
    """The same as `Live.learnt` holds it."""
    here: Columns = columns(site)
    return to_dict(picture(site, **how), here)
