"""A large invented site: many loops of two transducers, a controller for every ten of them."""

from __future__ import annotations

from typing import Any

from gateway.plant.site import Site

from .archive import MA

PLACES = ("Stair", "Lobby", "Supply duct", "Plenum", "Vault", "Corridor")


def large(loops: int, *, spare: int = 0) -> Site:
    """A site of so many loops, and of so many transducers that no loop uses."""
    tables: dict[str, Any] = {"controllers": {}, "transducers": {}, "loops": {}}
    for c in range(-(-(2 * loops + spare) // 20)):
        points = {f"ai{k}": {"table": "input", "address": k, "type": "uint16"} for k in range(20)}
        tables["controllers"][f"plc-{c + 1}"] = {
            "host": "127.0.0.1",
            "port": 1502 + c,
            "points": points,
        }
    for k in range(2 * loops + spare):
        tables["transducers"][f"dp-{k + 1:04}"] = {
            "counts": f"plc-{k // 20 + 1}.ai{k % 20}", "signal": "4-20 mA", "input": MA,
            "range": [0, 100], "unit": "Pa", "location": f"{PLACES[k // 2 % 6]} {k // 12 + 1}",
        }  # fmt: skip
    for k in range(loops):
        tables["loops"][f"loop-{k + 1:04}"] = {
            "name": f"{PLACES[k % 6]} {k // 6 + 1}",
            "transducers": [f"dp-{2 * k + 1:04}", f"dp-{2 * k + 2:04}"],
            "combine": "average", "limits": {"low": 35, "high": 70},
        }  # fmt: skip
    return Site.model_validate({"site": {"id": "large", "name": "Harbour Street Depot"}} | tables)
