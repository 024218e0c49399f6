"""The columns of a scans file: which points they hold, and which tell why values are missing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from gateway.errors import Fault, LoopwitnessError
from gateway.measure.blocks import Bools, Codes
from gateway.measure.columns import Ints
from gateway.measure.tellings import ALLOWED, codes_told
from gateway.plant.faults import among, shown
from gateway.plant.site import Site

TIME = "time"
REASONS = " reasons"
"""Ends the name of a column that tells why values of the controller before it are missing."""
STRANGERS = 3
"""Columns beyond which a file without a single point of the site is not told column by column."""
OWN = "loopwitness"
"""Parquet files that this program wrote have metadata under this name."""


class ScansError(LoopwitnessError):
    """A scans file that cannot be used; carries what is wrong, all at once where it can."""

    def __init__(self, file: str, faults: Sequence[Fault]) -> None:
        self.file, self.faults = file, tuple(faults)
        lines = "\n".join(f"  {fault}" for fault in faults)
        super().__init__(f"{file}: {len(faults)} fault(s)\n{lines}")


class Header:
    """Where the columns of a file go; P points of the site, K columns of values.

    ScansError names every column that is neither a point of the site nor tells reasons of one of
    its controllers, every one that comes twice, and a first column that is not `time`.
    """

    def __init__(self, site: Site, file: str, names: Sequence[str]) -> None:
        self._points = {key: list(noun.points) for key, noun in site.controllers.items()}
        refs = [f"{c}.{p}" for c, points in self._points.items() for p in points]
        names = [name.strip() for name in names]
        telling = [f"{key}{REASONS}" for key in self._points]
        where = {ref: k for k, ref in enumerate(refs)}
        if faults := list(_faults(names, refs, telling)):
            raise ScansError(file, faults)
        self.names = tuple(names)
        self.values = tuple(k for k, name in enumerate(names) if name in where)
        """(K,) columns that hold values."""
        self.telling = {
            k: name.removesuffix(REASONS) for k, name in enumerate(names) if name in telling
        }
        """Columns that tell reasons, and of which controller."""
        self.place: Ints = np.array([where[names[k]] for k in self.values], dtype=np.int64)
        """(K,) point of each column of values."""
        self.there: Bools = np.zeros(len(refs), dtype=np.bool_)
        """(P,) points that the file has."""
        self.there[self.place] = True

    def __len__(self) -> int:
        return len(self.names)

    def told(self, column: int, texts: Sequence[str]) -> tuple[slice, Codes]:
        """(n,) points of the controller of a column, and (R, n) reason codes from its texts.

        ValueError carries the text that cannot be read.
        """
        key, first = self.telling[column], 0
        for other, points in self._points.items():
            if other == key:
                return slice(first, first + len(points)), codes_told(texts, points)
            first += len(points)
        raise KeyError(key)

    def bad_telling(self, column: int, place: str, text: str) -> Fault:
        """What is wrong with a text that `told` could not read; place: its row."""
        return Fault(f"{place}, {self.names[column]}", shown(text), ALLOWED)


def _strangers(names: Sequence[str], refs: Sequence[str]) -> Fault:
    """A file of which nothing fits: told once, with what it is likely to be instead."""
    value = f"{shown(names[0])} and {len(names) - 1} more, and no point of the site"
    if any(name.endswith((" quality", " reason")) for name in names):
        return Fault(
            "columns", value, "register values, as `loopwitness export --rows scans` writes"
        )
    own = ", ".join(dict.fromkeys(ref.partition(".")[0] for ref in refs))
    allowed = f"scans of this site file, columns controller.point; its controllers: {own}"
    return Fault("columns", value, allowed)


def _faults(names: Sequence[str], refs: Sequence[str], telling: Sequence[str]) -> Iterator[Fault]:
    if not names or names[0] != TIME:
        value = shown(names[0]) if names else "no columns"
        yield Fault("column 1", value, f'"{TIME}", then columns controller.point')
    known = {*refs, *telling}
    if len(names) > STRANGERS and not known & set(names):
        yield _strangers(names[1:], refs)
        return
    for number, name in enumerate(names[1:], 2):
        if name not in known:
            yield Fault(f"column {number}", shown(name), f"a point of the site{among(name, refs)}")
        elif name in names[1 : number - 1]:
            first = names.index(name, 1) + 1
            yield Fault(f"column {number}", shown(name), f"each point once: column {first} has it")
    if names and names[0] == TIME and not set(names) & set(refs) and set(names[1:]) <= known:
        yield Fault("columns", "only time", "at least one point of the site")
