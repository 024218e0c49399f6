"""What a learnt picture was learnt of: another site file may give the same name to other things."""

from __future__ import annotations

import json
from collections.abc import Mapping
from hashlib import blake2b
from typing import Any

from gateway.measure.columns import ABSENT, Columns

OF = "of"
"""Where a stored transducer or loop says what it was learnt of."""


def origins(columns: Columns) -> dict[str, dict[str, str]]:
    """By kind ("transducers", "loops") and id, a short text that changes with what is read.

    With the inputs and ranges of all that measure in the same loops, and with the points that tell
    how fast the fan runs: differences between peers and what goes with the output rest on them.
    """
    loops, points = columns.loops, columns.points
    inputs = _inputs(columns)

    def point(k: int) -> list[Any]:
        return [] if k == ABSENT else [points.refs[k], float(points.step[k])]

    whole = [
        [
            *sorted((inputs[m] for m in members.tolist()), key=json.dumps),
            point(int(loops.output[k])), point(int(loops.running[k])),
        ]
        for k, members in enumerate(loops.members)
    ]  # fmt: skip
    mine: dict[int, list[Any]] = {}
    for k, members in enumerate(loops.members):
        for m in members.tolist():
            mine.setdefault(m, []).append(whole[k])
    return {
        "transducers": {
            key: _short([inputs[m], mine.get(m, [])])
            for m, key in enumerate(columns.transducers.ids)
        },
        "loops": {
            key: _short([loops.combine[k], whole[k]]) for k, key in enumerate(loops.ids)
        },
    }  # fmt: skip


def outdated(stored: Mapping[str, Any], columns: Columns) -> list[tuple[str, str]]:
    """Kind and id of what a stored picture has learnt of something else.

    Pictures of older versions do not say of what, and count as of this.
    """
    return [
        (kind, key)
        for kind, mine in origins(columns).items()
        for key, of in mine.items()
        if stored.get(kind, {}).get(key, {}).get(OF, of) != of
    ]


def _inputs(columns: Columns) -> list[list[Any]]:
    t = columns.transducers
    numbers = (t.per_count, t.at_zero, t.signal_low, t.signal_high, t.lrv, t.span)
    return [
        [key, columns.points.refs[point], *(float(array[m]) for array in numbers)]
        for m, (key, point) in enumerate(zip(t.ids, t.counts.tolist(), strict=True))
    ]


def _short(what: list[Any]) -> str:
    return blake2b(json.dumps(what).encode(), digest_size=8).hexdigest()
