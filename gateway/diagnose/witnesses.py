"""Two transducers disagree; a third witness tells which one is wrong.

Every witness gives each member a score in nats (natural log of odds); the member that leads by
enough is named. Where nothing decides, nobody is.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isfinite

import numpy as np

from gateway.measure.blocks import Floats
from gateway.measure.combine import combine

LEAD = 2.0
"""Nats by which the first must lead the second (odds of about 7 to 1)."""
VOTE, STANDING, FIRST, NOTHING = 5.0, 4.0, 3.0, 2.5
MOST_BY_SPEED = 2.2
NO_FIT, FAR_BETTER = -2.0, 3.0
"""Nats (two deviations) below which speed fits no explanation, for then resistance has changed;
unless one fits so many times better than another."""


@dataclass(frozen=True)
class Case:
    """What is known of the m members of a loop; pressures in Pa, NaN where not known.

    shift: change of the difference from the peers since learning. level: present smoothed reading.
    peers: the same of the median of the others. standing: reading with the fan off minus what it
    was (or zero), seen since the change. jump: own sudden step near the change, 0 for none.
    by_speed, speed_sd: combined pressure that the fan's speed stands for. limit: expanded
    uncertainty. matters: change that matters.
    """

    combine: str
    shift: Floats
    level: Floats
    peers: Floats
    standing: Floats
    jump: Floats
    by_speed: float
    speed_sd: float
    limit: Floats
    matters: Floats


def blame(case: Case) -> tuple[int, float, str]:
    """(member or -1, confidence 0 to 1, the witness that weighed most)."""
    scores = {
        "vote": _vote(case),
        "fan off": _standing(case),
        "moved first": _jump(case),
        "reads nothing": _nothing(case),
        "fan speed": _speed(case),
    }
    total = np.sum(list(scores.values()), axis=0)
    order = np.argsort(-total, kind="stable")
    first, second = int(order[0]), int(order[1])
    lead = float(total[first] - total[second])
    if lead < LEAD:
        return -1, 0.5, "none"
    witness = max(scores, key=lambda name: scores[name][first] - scores[name][second])
    return first, 1 / (1 + exp(-lead)), witness


def _vote(case: Case) -> Floats:
    """Three or more: the one whose shift stands out."""
    score = np.zeros(len(case.shift))
    if len(score) >= 3:
        size = np.abs(np.nan_to_num(case.shift))
        order = np.argsort(-size)
        if size[order[0]] > 1.4 * size[order[1]]:
            score[order[0]] = VOTE
    return score


def _standing(case: Case) -> Floats:
    """With the fan off all should read what they used to: one that does not is wrong."""
    off = np.abs(case.standing) > case.matters
    score = np.zeros(len(off))
    if np.isfinite(case.standing).all() and off.sum() == 1:
        score[off] = STANDING
    return score


def _jump(case: Case) -> Floats:
    """A sudden change shows first in the transducer that changed."""
    moved = (np.abs(case.jump) > np.abs(case.shift) / 3) & (
        np.sign(case.jump) == np.sign(case.shift)
    )
    score = np.zeros(len(moved))
    if moved.sum() == 1:
        score[moved] = FIRST
    elif moved.any():
        # Two: the jump of one is the mirror of the other's; the larger own step counts.
        score[int(np.argmax(np.where(moved, np.abs(case.jump), 0)))] = FIRST / 2
    return score


def _nothing(case: Case) -> Floats:
    """A reading of nothing while the fan runs and the peers show pressure."""
    silent = np.abs(case.level) <= np.maximum(case.limit, 0.05 * np.abs(case.peers))
    silent &= np.abs(case.peers) > 4 * case.limit
    return np.where(silent, NOTHING, 0.0)


def _speed(case: Case) -> Floats:
    """The fan's speed against the pressure each explanation would mean."""
    score = np.zeros(len(case.shift))
    if not (isfinite(case.by_speed) and case.speed_sd > 0):
        return score
    for k in range(len(score)):
        true = case.level.copy()
        true[k] = case.peers[k] + (case.level[k] - case.peers[k] - case.shift[k])
        off = float(combine(case.combine, true)) - case.by_speed
        score[k] = -((off / case.speed_sd) ** 2) / 2
    best = score.max()
    if not (best >= NO_FIT or score.min() <= FAR_BETTER * best):
        return np.zeros(len(score))
    capped: Floats = np.nan_to_num(np.maximum(score - best, -MOST_BY_SPEED))
    return capped
