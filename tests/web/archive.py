"""Harbour Street Archive by hand: the site, and two findings. All numbers are invented."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from gateway.diagnose.findings import Finding, Status
from gateway.plant.loops import Door
from gateway.plant.site import Site
from gateway.plant.units import to_pa

START = 1_780_000_000.0
MA = {"counts": [0, 32000], "electrical": [0, 20], "unit": "mA"}
V = {"counts": [0, 4095], "electrical": [0, 10], "unit": "V"}
CENTRE = {"stair-b": 50.0, "ahu-1-supply": to_pa(1.1, "inH2O"), "exhaust-plenum": -220.0}
"""Pa around which each loop moves; also its set point."""


def _controller(port: int, inputs: int, unit: str, about: str) -> dict[str, Any]:
    points: dict[str, Any] = {
        f"ai{k + 1}": {"table": "input", "address": k, "type": "uint16"} for k in range(inputs)
    }
    for k, name in enumerate(("feedback", "setpoint")):
        points[name] = {"table": "holding", "address": 2 * k, "type": "float32", "unit": unit}
    points["output"] = {"table": "holding", "address": 8, "scale": 0.01, "unit": "Hz"}
    points["running"] = {"table": "holding", "address": 9, "bit": 0}
    return {"host": "127.0.0.1", "port": port, "points": points, "description": about}


def _transducer(point: str, low: float, high: float, location: str, **more: Any) -> dict[str, Any]:
    base = {
        "counts": point, "signal": "4-20 mA", "input": MA, "range": [low, high],
        "unit": "Pa", "location": location,
    }  # fmt: skip
    return base | more


def _loop(name: str, members: list[str], combine: str, at: str, **more: Any) -> dict[str, Any]:
    points = {k: f"{at}.{k}" for k in ("feedback", "setpoint", "output", "running")}
    return {"name": name, "transducers": members, "combine": combine} | points | more


def archive(name: str = "Harbour Street Archive", **changes: Any) -> Site:
    """The site; `changes` replace whole tables."""
    volts = {"signal": "0-10 V", "input": V, "unit": "inH2O"}
    tables: dict[str, Any] = {
        "site": {"id": "harbour-archive", "name": name},
        "controllers": {
            "sf-2": _controller(15020, 2, "Pa", "Drive of the stair B supply fan"),
            "ahu-1": _controller(15021, 2, "inH2O", "Controller of air handler 1"),
            "ef-4": _controller(15022, 3, "Pa", "Drive of the workshop exhaust fan"),
        },
        "transducers": {
            "dp-201": _transducer("sf-2.ai1", -25, 100, "Stair B, level 3, riser cupboard"),
            "dp-202": _transducer("sf-2.ai2", -25, 100, "Stair B, level 9, riser cupboard"),
            "dp-301": _transducer("ahu-1.ai1", 0, 2, "Supply duct, level 5", **volts),
            "dp-302": _transducer("ahu-1.ai2", 0, 2, "Supply duct, longest branch", **volts),
            "dp-401": _transducer("ef-4.ai1", -500, 0, "Exhaust plenum, east wall"),
            "dp-402": _transducer("ef-4.ai2", -500, 0, "Exhaust plenum, middle"),
            "dp-403": _transducer("ef-4.ai3", -500, 0, "Exhaust plenum, fan inlet"),
        },
        "loops": {
            "stair-b": _loop("Stair B pressurization", ["dp-201", "dp-202"], "average", "sf-2",
                             limits={"low": 25, "high": 80}),
            "ahu-1-supply": _loop("Air handler 1 supply duct", ["dp-301", "dp-302"], "minimum",
                                  "ahu-1", limits={"low": 0.7, "high": 1.5}),
            "exhaust-plenum": _loop("Exhaust plenum", ["dp-401", "dp-402", "dp-403"], "median",
                                    "ef-4", limits={"low": -280, "high": -140}),
        },
    }  # fmt: skip
    return Site.model_validate(tables | changes)


def with_door() -> Site:
    """The same with a door that the pressure of stair B acts on."""
    site = archive()
    door = Door(width_m=0.91, height_m=2.13, closer_N=40, knob_m=0.075, force_limit_N=133)
    stair = site.loops["stair-b"].model_copy(update={"door": door})
    return archive(loops={**site.loops, "stair-b": stair})


def open_circuit(since: float = START) -> Finding:
    """A finding at dp-402."""
    return Finding(
        fault="open-circuit",
        kind="transducer",
        subject="dp-402",
        phase="raised",
        time=since,
        since=since,
        status=Status.FAILURE,
        confidence=0.95,
        title="Open circuit: no signal at all",
        evidence={"electrical_mA": 0.01, "percent_of_span": -24.9},
        rivals=("short-circuit", "reversed-polarity", "device-failure-signal"),
        next_check=(
            "Measure at the input terminals: first the supply at the transducer, then the current "
            "in series. Expect: 0 mA in series; full supply across the transducer when the return "
            "is open."
        ),
        consequence=(
            "The controller reads this input as 0.01 mA, below its range. The median falls to the "
            "lower of the two inputs that are left."
        ),
        transducer="dp-402",
        loops=("exhaust-plenum",),
    )


def mismatch(since: float = START, loop: str = "stair-b") -> Finding:
    """A finding about how a loop is set."""
    return replace(
        open_circuit(since),
        fault="combination-mismatch",
        kind="loop",
        subject=loop,
        status=Status.OUT_OF_SPECIFICATION,
        title="The controller combines its inputs in another way",
        evidence={"reported_Pa": 56.2, "computed_Pa": 50.1, "fits": "maximum"},
        rivals=("range-mismatch", "live-zero-mismatch"),
        next_check="Read the controller's setting for how its inputs are combined.",
        consequence="The reported feedback follows the maximum: the fan holds less than it says.",
        confidence=0.9,
        transducer=None,
        loops=(loop,),
    )
