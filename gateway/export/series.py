"""The series of an order: what each is called, and in which unit it leaves."""

from __future__ import annotations

from dataclasses import dataclass

from gateway.plant.site import Site
from gateway.plant.units import PASCALS

from .order import QUANTITIES, Order

ABOUT = {
    "combined": "combined pressure, computed from the transducers",
    "feedback": "feedback as the controller reports it",
    "setpoint": "set point as the controller reports it",
    "output": "output as the controller reports it",
    "running": "1: the fan runs, 0: it does not",
}


@dataclass(frozen=True)
class Series:
    """`stored`: its name in the history. `factor`: what to divide the stored value by.

    `subject` its transducer or loop, `quantity` "" for a transducer.
    """

    stored: str
    subject: str
    quantity: str
    unit: str
    factor: float
    about: str

    @property
    def name(self) -> str:
        """What it is called in a header."""
        return f"{self.subject} {self.quantity}".strip()


def series_of(site: Site, order: Order) -> tuple[Series, ...]:
    """Transducers, then what is known of each loop; what the site does not name is left out."""
    out = []
    for key in order.transducers:
        noun = site.transducers[key]
        about = f"pressure of transducer {key}" + (f", {noun.location}" if noun.location else "")
        factor = PASCALS[noun.unit]
        out.append(Series(f"transducer/{key}", key, "", noun.unit, factor, about))
    for key in order.loops:
        loop, unit = site.loops[key], site.loop_unit(key)
        for quantity in ("combined", *QUANTITIES):
            ref = None if quantity == "combined" else getattr(loop, quantity)
            if quantity != "combined" and ref is None:
                continue
            own = {"output": site.point(ref).unit if ref else "", "running": ""}
            shown, factor = own.get(quantity, unit), 1.0 if quantity in own else PASCALS[unit]
            stored, about = f"loop/{key}/{quantity}", f"{ABOUT[quantity]}; loop {key}"
            out.append(Series(stored, key, quantity, shown, factor, about))
    return tuple(out)
