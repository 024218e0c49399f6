"""A site: one building or plant room, watched by one gateway."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property

from pydantic import Field

from .controllers import Controller, Point
from .loops import Loop
from .noun import Id, Noun
from .transducers import Transducer


class SiteInfo(Noun):
    """The [site] table."""

    id: Id
    """Goes into topics and tags, so keep it for ever."""
    name: str = ""
    timezone: str = "UTC"
    """IANA name, for display only; everything is stored in UTC."""


class Site(Noun):
    """Everything the site file says, checked: every reference leads somewhere."""

    site: SiteInfo
    controllers: Mapping[Id, Controller] = Field(default_factory=dict)
    transducers: Mapping[Id, Transducer] = Field(default_factory=dict)
    loops: Mapping[Id, Loop] = Field(default_factory=dict)

    def point(self, ref: str) -> Point:
        """The point behind `controller.point`; KeyError when there is none."""
        controller, _, name = ref.partition(".")
        return self.controllers[controller].points[name]

    def loop_unit(self, loop_id: str) -> str:
        """The unit a loop is shown in; KeyError for an unknown loop."""
        loop = self.loops[loop_id]
        return loop.unit or self.transducers[loop.transducers[0]].unit

    def loops_of(self, transducer_id: str) -> tuple[str, ...]:
        """Ids of the loops that use a transducer, in file order."""
        return self._loops_of.get(transducer_id, ())

    def transducer_column(self, transducer_id: str) -> int:
        """Where a transducer stands in the file; KeyError for an unknown one."""
        return self._columns["transducer", transducer_id]

    def loop_column(self, loop_id: str) -> int:
        """Where a loop stands in the file; KeyError for an unknown one."""
        return self._columns["loop", loop_id]

    @cached_property
    def transducer_ids(self) -> tuple[str, ...]:
        """Ids in file order."""
        return tuple(self.transducers)

    @cached_property
    def _loops_of(self) -> Mapping[str, tuple[str, ...]]:
        found: dict[str, tuple[str, ...]] = {}
        for key, loop in self.loops.items():
            for transducer_id in loop.transducers:
                found[transducer_id] = (*found.get(transducer_id, ()), key)
        return found

    @cached_property
    def _columns(self) -> Mapping[tuple[str, str], int]:
        kinds = (("transducer", self.transducers), ("loop", self.loops))
        return {(kind, key): k for kind, nouns in kinds for k, key in enumerate(nouns)}
