"""What can't be seen: "no fault" and "cannot tell" are different answers.

For every transducer and loop, the faults that its signal, the ends of its input and what else the
site file names keep hidden, with the reason in words. Conditions that hold everywhere (a fault
shorter than a poll, two that are wrong together) are the catalogue's to tell.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TypeAlias

from gateway.plant.loops import Loop
from gateway.plant.site import Site

from . import hiding
from .catalogue.faults import CATALOGUE
from .findings import Finding
from .hunting import LEAST_SAMPLES
from .outlook import Extent, Reason, alike, outlooks, tells_stop

LoopRule: TypeAlias = Callable[[Site, Loop], Reason | None]


@dataclass(frozen=True)
class Hidden:
    """A fault of the catalogue that cannot be seen on one subject, or not always."""

    fault: str
    extent: Extent
    why: str


def hidden(site: Site, time: float) -> Mapping[str, tuple[Hidden, ...]]:
    """By transducer, the faults that it hides, in the catalogue's order.

    time: seconds since 1970; how far peers must be away to be believed grows with the years.
    """
    views = outlooks(site, time)
    return {
        key: _ordered({fault: rule(view) for fault, rule in hiding.RULES.items()})
        for key, view in views.items()
    }


def loop_hidden(site: Site) -> Mapping[str, tuple[Hidden, ...]]:
    """By loop, the faults that it hides, in the catalogue's order."""
    return {
        key: _ordered({fault: rule(site, loop) for fault, rule in LOOP_RULES.items()})
        for key, loop in site.loops.items()
    }


def judged(site: Site, finding: Finding, time: float) -> bool:
    """Whether anything on this site can still tell that a finding is over.

    Nothing can when the site file no longer has its subject, or no longer names the point that a
    fault of the settings rests on. time: seconds since 1970.
    """
    entry = CATALOGUE.get(finding.fault)
    if entry is None:
        return False
    subjects: Mapping[str, Iterable[str]] = {
        "controller": site.controllers, "transducer": site.transducers, "loop": site.loops,
    }  # fmt: skip
    if finding.subject not in subjects[entry.kind]:
        return False
    if entry.group != "setting":
        return True
    known = loop_hidden(site) if entry.kind == "loop" else hidden(site, time)
    hides = known.get(finding.subject, ())
    return not any(h.fault == finding.fault and h.extent == "never" for h in hides)


def _ordered(found: Mapping[str, Reason | None]) -> tuple[Hidden, ...]:
    reasons = ((fault, found.get(fault)) for fault in CATALOGUE)
    return tuple(Hidden(fault, *reason) for fault, reason in reasons if reason is not None)


def _disagreement(_site: Site, loop: Loop) -> Reason | None:
    if len(loop.transducers) > 1 and alike(loop):
        return None
    return "never", "no two of its transducers measure the same pressure"


def _combination(site: Site, loop: Loop) -> Reason | None:
    if not loop.feedback:
        return "never", "the site file names no feedback point"
    members = [site.transducers[key] for key in loop.transducers]
    nameplates = {(t.signal, t.lrv_pa, t.urv_pa) for t in members}
    why = []
    if len(nameplates) < len(members) and loop.combine != "difference":
        why.append(
            f"two inputs exchanged leave the {loop.combine} as it is, and findings then name the "
            "wrong one: only moving one transducer at a time shows it"
        )
    if any(t.controller_value is None for t in members):
        why.append("not every input has a controller_value: one scaled wrongly looks the same")
    return ("partly", "; ".join(why)) if why else None


def _cycling(_site: Site, loop: Loop) -> Reason | None:
    return None if tells_stop(loop) else ("never", "no point tells when the fan stands")


def _hunting(site: Site, loop: Loop) -> Reason | None:
    if not loop.setpoint:
        return _setpoint(site, loop)
    refs = [site.transducers[key].counts for key in loop.transducers]
    refs += [r for r in (loop.feedback, loop.setpoint, loop.output, loop.running) if r]
    slowest = max(site.controllers[ref.partition(".")[0]].interval_s for ref in refs)
    least = LEAST_SAMPLES * slowest
    return "partly", f"polled every {slowest:g} s: a swing faster than {least:g} s is not seen"


def _saturated(_site: Site, loop: Loop) -> Reason | None:
    if not loop.output:
        return "never", "the site file names no output point"
    return None if loop.output_range else ("never", "the site file gives no output_range")


def _setpoint(_site: Site, loop: Loop) -> Reason | None:
    return None if loop.setpoint else ("never", "the site file names no set point")


def _held(site: Site, loop: Loop) -> Reason | None:
    if loop.running or loop.output:
        return _setpoint(site, loop)
    return "never", "no point tells whether the fan should run"


def _action(site: Site, loop: Loop) -> Reason | None:
    return _setpoint(site, loop) or _saturated(site, loop)


def _safe(site: Site, loop: Loop) -> Reason | None:
    limits = loop.limits.low is not None or loop.limits.high is not None
    if limits or loop.door:
        return _setpoint(site, loop)
    return "never", "the site file gives neither limits nor a door"


LOOP_RULES: dict[str, LoopRule] = {
    "disagreement": _disagreement,
    "combination-mismatch": _combination,
    "action-reversed": _action,
    "setpoint-outside-range": _setpoint,
    "setpoint-above-safe-limit": _safe,
    "sleep-cycling": _cycling,
    "hunting": _hunting,
    "output-saturated": _saturated,
    "setpoint-not-held": _held,
}
