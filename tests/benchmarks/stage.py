"""One loop of the simulated plant, watched live, and branches in which something breaks.

A stage runs fault-free for some hours, so that the diagnosis learns; a branch is a forked process
that goes on from there with a fault switched on. Everything learnt before is shared, and the
fault-free plant itself goes on undisturbed.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from gateway.demo.history import _poll
from gateway.demo.plant import Plant
from gateway.demo.registers import after_registers
from gateway.diagnose.diagnose import Diagnosis
from gateway.diagnose.findings import Finding
from gateway.measure.blocks import Block, Floats, Readings
from gateway.measure.measure import Measure
from gateway.measure.quality import Reason
from gateway.plant.site import Site

CHUNK_S = 300.0
"""Seconds looked at in one go."""


def alone(site: Site, loop: str) -> Site:
    """The site with one loop only; KeyError for an unknown loop."""
    noun = site.loops[loop]
    transducers = {k: site.transducers[k] for k in noun.transducers}
    refs = [t.counts for t in transducers.values()]
    refs += [r for r in (noun.feedback, noun.setpoint, noun.output, noun.running) if r]
    wanted = {ref.partition(".")[0] for ref in refs}
    controllers = {k: c for k, c in site.controllers.items() if k in wanted}
    return site.model_copy(
        update={"controllers": controllers, "transducers": transducers, "loops": {loop: noun}}
    )


def slower(site: Site, interval_s: float) -> Site:
    """The site with every controller polled every `interval_s` seconds."""
    controllers = {
        k: c.model_copy(update={"interval_s": interval_s}) for k, c in site.controllers.items()
    }
    return site.model_copy(update={"controllers": controllers})


class Stage:
    """A plant of its own and the live diagnosis of it; `now` seconds since 1970."""

    def __init__(
        self,
        site: Site,
        *,
        seed: int,
        start: float,
        interval_s: float = 1.0,
        max_step_s: float = 0.5,
    ) -> None:
        self.site, self.interval_s = site, interval_s
        self.plant = Plant(site, seed=seed, time=start, max_step_s=max_step_s)
        self.start, self.rows = start, 0
        self.measure = Measure(site)
        self.diagnosis = Diagnosis(site, self.measure.columns)
        self._points = [p for c in site.controllers.values() for p in c.points.values()]

    @property
    def now(self) -> float:
        """Time of the next row."""
        return self.start + self.rows * self.interval_s

    def block(self, seconds: float) -> Block:
        """The next rows, as a gateway would have polled them."""
        count = round(seconds / self.interval_s)
        values = np.full((count, len(self._points)), np.nan)
        reasons = np.full(values.shape, Reason.NOT_DUE, dtype=np.uint8)
        steps = np.arange(self.rows, self.rows + count, dtype=np.float64)
        time: Floats = self.start + self.interval_s * steps
        for row in range(count):
            if self.rows:
                self.plant.step(self.interval_s)
            at = self.rows * self.interval_s
            _poll(self.plant, at, self.interval_s, values[row], reasons[row])
            self.rows += 1
        for k, point in enumerate(self._points):
            read = reasons[:, k] == Reason.NONE
            values[read, k] = after_registers(point, values[read, k])
        return Block(time, values, reasons)

    def go(self, seconds: float) -> tuple[Readings, tuple[Finding, ...]]:
        """The next rows and what the diagnosis says of them."""
        readings = self.measure.examine(self.block(seconds))
        return readings, self.diagnosis.examine(readings)


def branch(work: Callable[[], Mapping[str, Any]]) -> dict[str, Any]:
    """What `work` gives when it runs in a forked copy of this process.

    RuntimeError when the copy fails; its traceback is on standard error.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read)
        code = 1
        try:
            with os.fdopen(write, "w") as pipe:
                json.dump(work(), pipe)
            code = 0
        except BaseException:  # noqa: BLE001 (told, and ended below: nothing else may run here)
            sys.excepthook(*sys.exc_info())
        finally:
            sys.stderr.flush()
            os._exit(code)
    os.close(write)
    with os.fdopen(read) as pipe:
        said = pipe.read()
    _, status = os.waitpid(child, 0)
    if status != 0:
        raise RuntimeError(f"branch {child} ended with status {status}")
    found: dict[str, Any] = json.loads(said)
    return found
