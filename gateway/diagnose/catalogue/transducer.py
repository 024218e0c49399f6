"""Faults of one transducer, seen in its reading."""

from __future__ import annotations

from gateway.diagnose.findings import Status

from .entry import Entry

_WIRE = (
    "open-circuit", "short-circuit", "device-failure-signal", "signal-undefined-band",
    "reversed-polarity", "intermittent-wiring", "floating-input",
)  # fmt: skip

_MISLEADS = (
    "open-circuit", "short-circuit", "device-failure-signal", "ports-swapped", "tube-off",
    "liquid-in-tube", "reversed-polarity", "intermittent-wiring", "floating-input", "flat-top",
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
            "If the pressure is really that high, it may be higher than shown. If not, this "
            "reading is too high: with an average or a maximum the loop then holds a lower "
            "pressure than it says."
        ),
        rivals=("short-circuit", "ports-swapped", "range-mismatch"),
        # Long enough for the judges of single transducers to say what is behind it.
        raise_s=240.0,
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
            "If the pressure is really that low, it may be lower than shown. If not, this "
            "reading is too low: with an average or a minimum the fan then drives {fan}."
        ),
        rivals=("ports-swapped", "zero-drift", "live-zero-mismatch"),
        # Long enough for the judges of single transducers to say what is behind it.
        raise_s=240.0,
        clear_s=60.0,
        blocked_by=(*_WIRE, "ports-swapped", "tube-off", "liquid-in-tube"),
        follows=_MISLEADS,
    ),
    Entry(
        fault="frozen",
        kind="transducer",
        group="transducer",
        title="The reading stands still while the pressure moves",
        signature=(
            "The same counts for longer than its usual movement makes believable, or nothing "
            "but the input's own noise, while another transducer of the loop moves."
        ),
        separates=(
            "stale-data is a whole controller standing still; tube-restricted still follows "
            "slowly; a flat-top comes down when the pressure does."
        ),
        needs="A second transducer in the loop that shows movement in counts.",
        hidden_when=(
            "The signal rests at an end of the input, the loop has one transducer, or the peers "
            "do not move either."
        ),
        status=Status.FAILURE,
        reliability="unreliable-other",
        next_check=(
            "Vent one port for a moment, or squeeze a bulb on it, and watch the counts: no "
            "change means a dead transducer, a blocked tube or a stuck input; then measure the "
            "current in series, or the volts, while doing it."
        ),
        expected=(
            "A working transducer moves at once. A meter that moves while the counts do not: the "
            "input is stuck; a meter that stands still as well: the device or its tube."
        ),
        consequence="The loop goes on holding this old value in its combination.",
        rivals=("tube-restricted", "stale-data", "flat-top"),
        raise_s=0.0,
        # A stuck device behind a living input flickers by a count now and then.
        clear_s=30.0,
        blocked_by=("stale-data", *_WIRE, "flat-top", "over-range", "under-range"),
    ),
    Entry(
        fault="excess-noise",
        kind="transducer",
        group="transducer",
        title="Far more noise than usual",
        signature=(
            "Its fast noise is two or more times the usual for minutes, its peers' is not, and "
            "its mean stays where it was."
        ),
        separates=(
            "A door or a faster fan makes all transducers of the loop lively; a floating-input "
            "has lost its level too; spikes come one by one out of quiet."
        ),
        needs="A peer, and some minutes of its usual noise.",
        hidden_when=(
            "The loop has one transducer, the noise was there from the start, or a filter in the "
            "controller hides it."
        ),
        status=Status.OUT_OF_SPECIFICATION,
        reliability="unreliable-other",
        next_check=(
            "Look for a loose shield or ground, a signal cable beside a drive's motor cable, and "
            "a tapping in the blast of a diffuser. Short the ports together and watch."
        ),
        expected=(
            "Noise that stays with the ports bridged is electrical: it should fall when the drive "
            "stops. Noise that goes is in the air. Usual here: {usual_noise_Pa}."
        ),
        consequence=(
            "It shakes by {noise_Pa} (standard deviation). A minimum follows its dips and a "
            "maximum its peaks, so the loop holds too much or too little; drive and dampers wear."
        ),
        rivals=("floating-input", "spikes", "intermittent-wiring"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=("stale-data", *_WIRE, "frozen"),
    ),
    Entry(
        fault="spikes",
        kind="transducer",
        group="transducer",
        title="Short spikes",
        signature=(
            "Three or more excursions of one or two readings within ten minutes, many times the "
            "noise, that no peer shows."
        ),
        separates=(
            "intermittent-wiring drops into a failure band or to exactly 0 %; excess-noise is "
            "there all the time; a door shows in every transducer of the loop."
        ),
        needs="A peer that is read at the same rate.",
        hidden_when=(
            "The loop has one transducer, spikes are shorter than the time between two polls, or "
            "a filter in the controller smooths them."
        ),
        status=Status.MAINTENANCE_REQUIRED,
        reliability="unreliable-other",
        next_check=(
            "Note what switches at these moments (contactors, radios, lamps). Check shield, "
            "ground and terminals; watch with a recording meter at the input."
        ),
        expected="With the shield grounded at one end only the spikes are gone.",
        consequence=(
            "Each spike of up to {largest_Pa} shakes the output. A minimum or maximum passes "
            "spikes of one sign whole; a median does not."
        ),
        rivals=("intermittent-wiring", "excess-noise"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=("stale-data", *_WIRE, "frozen", "excess-noise"),
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
            "It reads {shift_Pa} beside the truth. An average is off by its share of that, and "
            "the loop holds that much less or more pressure than it says; a minimum or maximum "
            "may follow it whole; a median shuts it out while two others agree."
        ),
        rivals=("span-drift", "liquid-in-tube", "tube-restricted"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(
            "stale-data",
            *_WIRE,
            "flat-top",
            "ports-swapped",
            "tube-off",
            "liquid-in-tube",
            "tube-restricted",
            "frozen",
            "excess-noise",
            "spikes",
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
            "flat-top",
            "ports-swapped",
            "tube-off",
            "liquid-in-tube",
            "tube-restricted",
            "frozen",
            "excess-noise",
            "spikes",
        ),
    ),
)
