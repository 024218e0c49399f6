"""Faults of one transducer, seen in its reading."""

from __future__ import annotations

from gateway.diagnose.findings import Status

from .entry import Entry

_WIRE = ("open-circuit", "short-circuit", "device-failure-signal", "signal-undefined-band")

_MISLEADS = (
    "open-circuit", "short-circuit", "device-failure-signal", "ports-swapped", "tube-off",
    "liquid-in-tube",
)  # fmt: skip
"""Faults of one transducer that make the loop drive the others out of their range."""

TRANSDUCER = (
    Entry(
        fault="over-range",
        kind="transducer",
        group="transducer",
        title="At or above the upper range value",
        signature="More than 101 % of span, or at the upper end of the input.",
        separates="A failure signal lies higher still, where the input can show it.",
        needs="Nothing but the reading.",
        hidden_when="Never, but what lies beyond the end of the input cannot be told.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="over-range",
        next_check=(
            "Is the pressure really that high? Compare with the other transducers and with a "
            "hand-held gauge at the same tapping; then check range and ports."
        ),
        expected="A gauge at the ports shows at least the upper range value.",
        consequence=(
            "The true pressure may be higher than shown. With an average or a maximum the loop "
            "holds less pressure than it says."
        ),
        rivals=("short-circuit", "ports-swapped", "range-mismatch"),
        raise_s=30.0,
        clear_s=60.0,
        blocked_by=(*_WIRE, "ports-swapped", "tube-off", "liquid-in-tube"),
        follows=_MISLEADS,
    ),
    Entry(
        fault="under-range",
        kind="transducer",
        group="transducer",
        title="Below the lower range value",
        signature="Less than -1 % of span, or at the lower end of an input for both signs.",
        separates="A failure signal lies lower still, where the signal has a live zero.",
        needs="Nothing but the reading.",
        hidden_when="A unipolar true-zero signal rests at 0 % whatever lies below.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="under-range",
        next_check=(
            "Compare with the other transducers and with a hand-held gauge at the same tapping; "
            "look for swapped ports, and for the zero with both ports bridged."
        ),
        expected="A gauge at the ports shows at most the lower range value.",
        consequence=(
            "The true pressure may be lower than shown. With an average or a minimum the fan "
            "drives up."
        ),
        rivals=("ports-swapped", "zero-drift", "live-zero-mismatch"),
        raise_s=30.0,
        clear_s=60.0,
        blocked_by=(*_WIRE, "ports-swapped", "tube-off", "liquid-in-tube"),
        follows=_MISLEADS,
    ),
    Entry(
        fault="frozen",
        kind="transducer",
        group="transducer",
        title="The reading stands still while the pressure moves",
        signature="The same counts, digit for digit, while another transducer of the loop moves.",
        separates="stale-data is a whole controller standing still.",
        needs="A second transducer in the loop that shows movement in counts.",
        hidden_when="The signal rests at an end of the input, or the loop has one transducer.",
        status=Status.FAILURE,
        reliability="unreliable-other",
        next_check=(
            "Vent one port for a moment, or squeeze a bulb on it, and watch the counts: no "
            "change means a dead transducer or a blocked tube; then measure the current in "
            "series while doing it."
        ),
        expected="A working transducer moves at once; the meter follows.",
        consequence="The loop goes on holding this old value in its combination.",
        rivals=("tube-restricted", "stale-data"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=("stale-data", *_WIRE, "over-range", "under-range"),
    ),
    Entry(
        fault="zero-drift",
        kind="transducer",
        group="transducer",
        title="The zero has drifted",
        signature="The difference from its peers creeps away, by the same amount at any pressure.",
        separates=("span-drift is gone with the fan off; liquid-in-tube comes within seconds."),
        needs="A peer, learnt normal running, and a third witness: fan off, fan speed or a vote.",
        hidden_when=(
            "All transducers of the loop drift together, or the loop has one and never stops."
        ),
        status=Status.MAINTENANCE_REQUIRED,
        reliability="unreliable-other",
        next_check=(
            "Bridge the ports and read the zero, before touching anything (as found). On a "
            "smoke-control loop arrange the impairment first."
        ),
        expected="With ports bridged it reads {shift_Pa} instead of zero.",
        consequence=(
            "It reads {shift_Pa} beside the truth: an average is off by its share of that, and "
            "the loop holds that much less or more pressure than it says."
        ),
        rivals=("span-drift", "liquid-in-tube", "tube-restricted"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(
            "stale-data",
            *_WIRE,
            "ports-swapped",
            "tube-off",
            "liquid-in-tube",
            "frozen",
        ),
    ),
    Entry(
        fault="span-drift",
        kind="transducer",
        group="transducer",
        title="The span has changed",
        signature="The difference from its peers grows with the pressure; with the fan off none.",
        separates="zero-drift is there with the fan off too.",
        needs="A peer, learnt normal running, and a stop of the fan since the change.",
        hidden_when="The fan never stops: then it looks like zero-drift.",
        status=Status.MAINTENANCE_REQUIRED,
        reliability="unreliable-other",
        next_check=(
            "Apply a known pressure near the set point and compare, then the zero with ports "
            "bridged (as found)."
        ),
        expected="Zero is right; at working pressure it reads {shift_Pa} beside the reference.",
        consequence=(
            "It reads {shift_Pa} beside the truth at working pressure, and the loop holds its "
            "share of that less or more than it says."
        ),
        rivals=("zero-drift", "range-mismatch", "tube-off"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(
            "stale-data",
            *_WIRE,
            "ports-swapped",
            "tube-off",
            "liquid-in-tube",
            "frozen",
        ),
    ),
)
