"""Transducers of one loop against each other."""

from __future__ import annotations

from gateway.diagnose.findings import Status

from .entry import Entry

PAIR = (
    Entry(
        fault="disagreement",
        kind="loop",
        group="pair",
        title="Transducers disagree",
        signature=(
            "Two transducers differ by more than their combined expanded uncertainty plus the "
            "difference that their places allow; or by another difference than was learnt, and "
            "nothing tells which of them has changed (found_by says which it was)."
        ),
        separates=(
            "Two transducers show that they disagree, never which is wrong. With three or more "
            "the one furthest from the middle is named."
        ),
        needs="Two good readings at the same time.",
        hidden_when="The loop has one transducer, or both are wrong together.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="unreliable-other",
        next_check=(
            "Stop the fan, let it settle, and bridge the ports of each transducer: the one that "
            "does not read zero within its tolerance is wrong. When every one reads zero, look at "
            "tubes and tappings: a tube that is off, or shut, passes this test. On a "
            "smoke-control loop arrange the impairment first."
        ),
        expected="With ports bridged: no pressure, and the signal that its page names for it.",
        consequence=(
            "An average is off by half the difference; a minimum follows the lower one and may "
            "over-pressurise; a maximum follows the higher one and may lose pressure; a median "
            "lies between them."
        ),
        rivals=("zero-drift", "span-drift", "tube-off", "liquid-in-tube", "range-mismatch"),
        # Long enough for the judges of single transducers to find out which one it is.
        raise_s=240.0,
        clear_s=60.0,
        blocked_by=(
            "stale-data",
            "open-circuit",
            "short-circuit",
            "device-failure-signal",
            "signal-undefined-band",
            "ports-swapped",
            "tube-off",
            "liquid-in-tube",
            "frozen",
            "zero-drift",
            "span-drift",
        ),
    ),
)
