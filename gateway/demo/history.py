"""History of the demo plant without sockets and without waiting: for tests and measurements."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gateway.measure.blocks import Block, Codes, Floats
from gateway.measure.quality import Reason
from gateway.plant.site import Site

from .plant import MAX_STEP_S, Link, Plant
from .registers import after_registers

COARSE_FROM_S, COARSE_STEP_S = 5.0, 2.0

Event = tuple[float, str, str, float | None]
"""(seconds after the start, kind, subject, size; None: its usual size)."""


def simulate(
    site: Site,
    *,
    seed: int,
    seconds: float,
    interval_s: float = 1.0,
    faults: Sequence[Event] = (),
    start_time: float = 1_780_272_000.0,
    step_s: float | None = None,
) -> Block:
    """What a gateway would have polled: a row every `interval_s` from `start_time` on.

    step_s: longest step of the physics; left out: 0.5 s, or 2 s for rows 5 s apart and more, which
    is four times quicker and still stable, though the loops then breathe a little more.
    Values are those that the registers would have shown. A controller whose own interval is
    longer is "not due" in between; one that does not answer gives NaN with its reason. FaultError
    for a fault that cannot be; StartError for a site that is not the archive's.
    """
    longest = step_s or (MAX_STEP_S if interval_s < COARSE_FROM_S else COARSE_STEP_S)
    plant = Plant(site, seed=seed, time=start_time, max_step_s=longest)
    waiting = sorted(faults, key=lambda event: event[0])
    rows = int(seconds / interval_s + 1e-9)
    points = [p for controller in site.controllers.values() for p in controller.points.values()]
    values = np.full((rows, len(points)), np.nan)
    reasons: Codes = np.full((rows, len(points)), Reason.NOT_DUE, dtype=np.uint8)
    for row in range(rows):
        at = row * interval_s
        if row:
            plant.step(interval_s)
        while waiting and waiting[0][0] <= at:
            _, kind, subject, size = waiting.pop(0)
            plant.switch(kind, subject, size, on=True)
        _poll(plant, at, interval_s, values[row], reasons[row])
    for k, point in enumerate(points):
        read = reasons[:, k] == Reason.NONE
        values[read, k] = after_registers(point, values[read, k])
    return Block(start_time + interval_s * np.arange(rows, dtype=np.float64), values, reasons)


def _poll(plant: Plant, at: float, interval_s: float, values: Floats, reasons: Codes) -> None:
    """Fill one row, `at` seconds after the start, with what the controllers due then say."""
    past = 0
    for key, controller in plant.site.controllers.items():
        first, past = past, past + len(controller.points)
        if at % controller.interval_s >= interval_s:
            continue
        why = answer(plant.links[key], controller.timeout_s)
        reasons[first:past] = why
        if why == Reason.NONE:
            values[first:past] = plant.values(key)


def answer(link: Link, timeout_s: float) -> Reason:
    """What a poll of this controller would meet."""
    if "no-communication" in link.faults or link.faults.get("slow-answers", 0.0) >= timeout_s:
        return Reason.NO_COMMUNICATION
    return Reason.BAD_REPLY if "bad-reply" in link.faults else Reason.NONE
