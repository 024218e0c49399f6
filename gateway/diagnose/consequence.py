"""What a fault means for the loop: the true pressure, the error in what it holds, the door.

Aids, not rulings: local codes, the authority having jurisdiction and licensed practice decide.

Door force in SI: F = Fdc + W A dP / (2 (W - d)), the form of New York City Building Code 909.6.2
and of NFPA 92 (both from secondary texts), with closer and friction force Fdc at the knob, width
W, area A, and d from the knob to the edge of the door.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, isfinite

import numpy as np

from gateway.measure.combine import combine, driver
from gateway.plant.loops import Door, Loop
from gateway.plant.units import from_pa, in_digits

CAUTION = (
    "This force is an aid: local codes, the authority having jurisdiction and licensed practice "
    "decide."
)
OF_LOOP = ("combined_Pa", "computed_Pa", "peak_Pa", "feedback_Pa", "setpoint_Pa")
"""Evidence of a loop's fault that stands for its true pressure, the best first."""


@dataclass(frozen=True)
class Effect:
    """What a loop really does. Pressures in Pa, forces in N; None where it does not apply.

    pressure: estimate of the true combined pressure. error: what the controller takes for it,
    minus that. follows: which transducer the combination follows.
    """

    pressure: float
    error: float | None = None
    follows: str = ""
    door_N: float | None = None
    door_limit_N: float | None = None


def door_force(door: Door, pascals: float) -> float:
    """Newtons at the knob that set the door in motion against a pressure difference."""
    area = door.width_m * door.height_m
    return door.closer_N + door.width_m * area * abs(pascals) / _leverage(door)


def allowed_pressure(door: Door) -> float:
    """Pressure difference, Pa, at which the door takes its force limit; 0 if it takes it anyway."""
    area = door.width_m * door.height_m
    left = max(0.0, door.force_limit_N - door.closer_N)
    return left * _leverage(door) / (door.width_m * area)


def _leverage(door: Door) -> float:
    return 2 * (door.width_m - door.knob_m)


def of_reading(loop: Loop, transducer: str, reading: float, truth: float, peers: float) -> Effect:
    """One transducer reads `reading` where `truth` is right and the others read `peers`.

    All in Pa; peers NaN where there are none or nothing is known of them: then they are taken to
    read the truth.
    """
    members = np.full(len(loop.transducers), truth if np.isnan(peers) else peers)
    where = loop.transducers.index(transducer)
    seen, true = members.copy(), members.copy()
    seen[where], true[where] = reading, truth
    drives = int(driver(loop.combine, seen))
    if drives < 0 or len(seen) == 1:
        follows = ""
    else:
        follows = transducer if drives == where else "the others"
    pressure = float(combine(loop.combine, true))
    return _with_door(loop, pressure, float(combine(loop.combine, seen)) - pressure, follows)


def of_evidence(loop: Loop, transducer: str | None, pascals: Mapping[str, float]) -> Effect | None:
    """The effect that a finding's evidence (values in Pa) tells of; None where it tells none."""
    if transducer is None:
        pressure = next((pascals[name] for name in OF_LOOP if name in pascals), None)
        if pressure is None:
            return None
        seen = pascals.get("reported_Pa") if "computed_Pa" in pascals else None
        return _with_door(loop, pressure, None if seen is None else seen - pressure)
    peers = pascals.get("peers_Pa", np.nan)
    if "controller_shows_Pa" in pascals and "pressure_Pa" in pascals:
        shows, truth = pascals["controller_shows_Pa"], pascals["pressure_Pa"]
        return of_reading(loop, transducer, shows, truth, peers)
    if "reading_Pa" not in pascals or not {"shift_Pa", "peers_Pa"} & set(pascals):
        return None
    reading = pascals["reading_Pa"]
    truth = reading - pascals["shift_Pa"] if "shift_Pa" in pascals else peers
    return of_reading(loop, transducer, reading, truth, peers)


def _with_door(loop: Loop, pressure: float, error: float | None, follows: str = "") -> Effect:
    if loop.door is None:
        return Effect(pressure, error, follows)
    force = door_force(loop.door, pressure)
    return Effect(pressure, error, follows, force, loop.door.force_limit_N)


def numbers(effect: Effect, unit: str) -> dict[str, float | str]:
    """As evidence, pressures in `unit`."""
    out: dict[str, float | str] = {}
    if effect.error is not None:
        out[f"true_combined_{unit}"] = _round(from_pa(effect.pressure, unit))
        out[f"combined_error_{unit}"] = _round(from_pa(effect.error, unit))
    if effect.follows:
        out["loop_follows"] = effect.follows
    if effect.door_N is not None and effect.door_limit_N is not None:
        out["door_force_N"] = _round(effect.door_N)
        out["door_force_limit_N"] = effect.door_limit_N
    return out


def said(value: float, step: float) -> str:
    """A pressure in words: four digits, but none finer than `step` (same unit; 0: no limit)."""
    steps = value / step if step else inf
    return in_digits(round(steps) * step if isfinite(steps) else value)


def step_of(span: float) -> float:
    """The finest step of a pressure in words, for a span in the same unit: a 500th or less."""
    return float(10.0 ** np.floor(np.log10(span / 500)))


def ways(loop: Loop | None, *, low: bool) -> dict[str, str]:
    """Which way a reading that is wrong moves a loop, as words for a consequence.

    low: it reads lower than the truth. Without a loop: as one that drives up when it is low.
    """
    up = low == (loop is None or loop.action == "reverse")
    return {
        "pulled": "down" if low else "up",
        "fan": "up" if up else "down",
        "follower": "minimum" if low else "maximum",
        "ignorer": "maximum" if low else "minimum",
    }


def about(text: str, combine: str) -> str:
    """A consequence without what it says of other combinations than the loop's.

    Clauses end at "; " and ". "; one that names no combination holds for all.
    """
    kept = []
    for sentence_ in text.split(". "):
        clauses = sentence_.removesuffix(".").split("; ")
        mine = [c for c in clauses if not (named := _combinations(c)) or combine in named]
        if mine:
            words = "; ".join(mine)
            kept.append(words[0].upper() + words[1:] + ".")
    return " ".join(kept) or text


def _combinations(clause: str) -> set[str]:
    return {name for name in ("average", "minimum", "maximum", "median") if name in clause}


def sentence(effect: Effect, unit: str, step: float = 0.0) -> str:
    """The numbers in words, with the caution beside a door; empty when there are none."""
    words = []
    pressure = f"{said(from_pa(effect.pressure, unit), step)} {unit}"
    if effect.error is not None:
        seen = f"{said(from_pa(effect.pressure + effect.error, unit), step)} {unit}"
        # Said once, when it is found; the loop goes on from there.
        saw = "the same" if seen == pressure else seen
        words.append(
            f"When this was found the true combined pressure was about {pressure} and the "
            f"controller saw {saw}."
        )
    if effect.door_N is not None and effect.door_limit_N is not None:
        over = ", more than that" if effect.door_N > effect.door_limit_N else ""
        words.append(
            f"At {pressure} the door takes about {effect.door_N:.0f} N to set in motion, "
            f"of {effect.door_limit_N:.0f} N allowed{over}. {CAUTION}"
        )
    return " ".join(words)


def _round(value: float) -> float:
    return float(f"{value:.6g}") + 0.0
