"""The columns of a scans file: which point each one holds."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from gateway.errors import Fault, LoopwitnessError
from gateway.measure.blocks import Bools
from gateway.measure.columns import Ints
from gateway.plant.faults import among, shown
from gateway.plant.site import Site

TIME = "time"


class ScansError(LoopwitnessError):
    """A scans file that cannot be used; carries what is wrong, all at once where it can."""

    def __init__(self, file: str, faults: Sequence[Fault]) -> None:
        self.file, self.faults = file, tuple(faults)
        lines = "\n".join(f"  {fault}" for fault in faults)
        super().__init__(f"{file}: {len(faults)} fault(s)\n{lines}")


class Header:
    """Where the columns of a file go; P points of the site, K columns after `time`.

    ScansError names every column that is not a point of the site, every one that comes twice, and
    a first column that is not `time`.
    """

    def __init__(self, site: Site, file: str, names: Sequence[str]) -> None:
        refs = [f"{c}.{p}" for c, noun in site.controllers.items() for p in noun.points]
        names = [name.strip() for name in names]
        if faults := list(_faults(names, refs)):
            raise ScansError(file, faults)
        self.names = tuple(names)
        self.place: Ints = np.array([refs.index(name) for name in names[1:]], dtype=np.int64)
        """(K,) point of each column."""
        self.there: Bools = np.zeros(len(refs), dtype=np.bool_)
        """(P,) points that the file has."""
        self.there[self.place] = True

    def __len__(self) -> int:
        return len(self.names)


def _faults(names: Sequence[str], refs: Sequence[str]) -> Iterator[Fault]:
    if not names or names[0] != TIME:
        value = shown(names[0]) if names else "no columns"
        yield Fault("column 1", value, f'"{TIME}", then columns controller.point')
    for number, name in enumerate(names[1:], 2):
        if name not in refs:
            yield Fault(f"column {number}", shown(name), f"a point of the site{among(name, refs)}")
        elif name in names[1 : number - 1]:
            first = names.index(name, 1) + 1
            yield Fault(f"column {number}", shown(name), f"each point once: column {first} has it")
    if len(names) == 1 and names[0] == TIME:
        yield Fault("columns", "only time", "at least one point of the site")
