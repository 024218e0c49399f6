"""What stands near what on a site: which controller, transducers and loops touch each other."""

from __future__ import annotations

from collections.abc import Iterator

from gateway.plant.site import Site

from . import own
from .transition import Kind

Subject = tuple[Kind, str]


class Relations:
    """Looked up once for a site; every value keeps file order."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.controller_of: dict[str, str] = {
            key: noun.counts.partition(".")[0] for key, noun in site.transducers.items()
        }
        self.members: dict[str, tuple[str, ...]] = {
            key: noun.transducers for key, noun in site.loops.items()
        }
        self.loops_of: dict[str, tuple[str, ...]] = dict.fromkeys(site.transducers, ())
        self.controllers_of: dict[str, tuple[str, ...]] = {}
        self.transducers_on: dict[str, tuple[str, ...]] = dict.fromkeys(site.controllers, ())
        self.loops_on: dict[str, tuple[str, ...]] = dict.fromkeys(site.controllers, ())
        for key, controller in self.controller_of.items():
            self.transducers_on[controller] += (key,)
        for key, noun in site.loops.items():
            refs = (noun.feedback, noun.setpoint, noun.output, noun.running)
            used = [self.controller_of[k] for k in noun.transducers]
            used += [ref.partition(".")[0] for ref in refs if ref]
            self.controllers_of[key] = tuple(dict.fromkeys(used))
            for member in noun.transducers:
                self.loops_of[member] += (key,)
            for controller in self.controllers_of[key]:
                self.loops_on[controller] += (key,)

    def touched_loops(self, kind: Kind, subject: str) -> tuple[str, ...]:
        """The loops that something on this subject touches."""
        match kind:
            case "site":
                return tuple(self.members)
            case "controller":
                return self.loops_on[subject]
            case "transducer":
                return self.loops_of[subject]
            case "loop":
                return (subject,)
            case "gateway":
                return ()

    def knows(self, kind: Kind, subject: str) -> bool:
        """Whether the site has this subject."""
        site = self.site
        match kind:
            case "site":
                return subject == site.site.id
            case "controller":
                return subject in site.controllers
            case "transducer":
                return subject in site.transducers
            case "loop":
                return subject in site.loops
            case "gateway":
                return subject == own.SUBJECT

    def whole(self, kind: Kind, subject: str) -> Iterator[Subject]:
        """What is out of service together: a loop takes along transducers that serve it alone."""
        yield kind, subject
        if kind == "loop":
            for member in self.members[subject]:
                if self.loops_of[member] == (subject,):
                    yield "transducer", member

    def causes_near(self, kind: Kind, subject: str) -> Iterator[Subject]:
        """Where a cause of something on this subject may be."""
        if kind in ("site", "gateway"):
            return
        yield kind, subject
        if kind == "transducer":
            yield "controller", self.controller_of[subject]
            fellows = (self.members[loop] for loop in self.loops_of[subject])
            for fellow in dict.fromkeys(k for members in fellows for k in members):
                if fellow != subject:
                    yield "transducer", fellow
        elif kind == "loop":
            for controller in self.controllers_of[subject]:
                yield "controller", controller
            for member in self.members[subject]:
                yield "transducer", member

    def effects_near(self, kind: Kind, subject: str) -> Iterator[Subject]:
        """Where something on this subject may have consequences."""
        if kind in ("site", "gateway"):
            return
        yield kind, subject
        if kind == "controller":
            for member in self.transducers_on[subject]:
                yield "transducer", member
        elif kind == "transducer":
            fellows = (self.members[loop] for loop in self.loops_of[subject])
            for fellow in dict.fromkeys(k for members in fellows for k in members):
                if fellow != subject:
                    yield "transducer", fellow
        if kind != "loop":
            for loop in self.touched_loops(kind, subject):
                yield "loop", loop
