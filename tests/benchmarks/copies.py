"""Several plants side by side as one site: what the heart does for many costs hardly more.

Every copy of the archive has a plant with a seed of its own; identifiers end in the copy's number.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from gateway.measure.blocks import Block
from gateway.plant.site import Site


def copied(site: Site, copies: int) -> Site:
    """A site of `copies` times everything, copy by copy in file order."""
    noun = site.model_dump(mode="json")
    parts = [
        {
            "controllers": {_named(k, n): c for k, c in noun["controllers"].items()},
            "transducers": {_named(k, n): _moved(t, n) for k, t in noun["transducers"].items()},
            "loops": {_named(k, n): _loop(one, n) for k, one in noun["loops"].items()},
        }
        for n in range(copies)
    ]
    whole = {key: {k: v for p in parts for k, v in p[key].items()} for key in parts[0]}
    return Site.model_validate(noun | whole)


def beside(blocks: list[Block]) -> Block:
    """Blocks with the same rows, one beside the other. ValueError when their times differ."""
    time = blocks[0].time
    if not all(np.array_equal(b.time, time) for b in blocks):
        raise ValueError("blocks of different times cannot stand side by side")
    return Block(
        time, np.concatenate([b.values for b in blocks], axis=1),
        np.concatenate([b.reasons for b in blocks], axis=1),
    )  # fmt: skip


def _named(name: str, n: int) -> str:
    return f"{name}-{n}"


def _moved(noun: dict[str, Any], n: int) -> dict[str, Any]:
    """A transducer's references to points of copy n."""
    points = ("counts", "controller_value")
    return noun | {k: _point(noun[k], n) for k in points if noun.get(k)}


def _loop(noun: dict[str, Any], n: int) -> dict[str, Any]:
    points = ("feedback", "setpoint", "output", "running")
    moved = {k: _point(noun[k], n) for k in points if noun.get(k)}
    return noun | moved | {"transducers": [_named(k, n) for k in noun["transducers"]]}


def _point(ref: str, n: int) -> str:
    controller, _, point = ref.partition(".")
    return f"{_named(controller, n)}.{point}"
