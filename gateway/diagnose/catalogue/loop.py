"""Faults of a whole loop: it swings, it has nothing left, it misses, or it keeps stopping."""

from __future__ import annotations

from gateway.diagnose.findings import Status

from .entry import Entry
from .setting import SCALING

_INPUTS = (
    "no-communication", "bad-reply", "stale-data",
    "open-circuit", "short-circuit", "device-failure-signal", "signal-undefined-band",
    "ports-swapped", "tube-off", "liquid-in-tube", "frozen", *SCALING, "combination-mismatch",
)  # fmt: skip
"""Faults that leave a loop no true feedback to hold."""
_ORDERS = ("action-reversed", "setpoint-outside-range", "setpoint-above-safe-limit")
"""Faults in what the loop was told."""

LOOP = (
    Entry(
        fault="sleep-cycling",
        kind="loop",
        group="loop",
        title="The fan starts and stops again and again",
        signature="Four starts or more within half an hour.",
        separates="hunting swings without stopping.",
        needs="A running point, or an output with its range.",
        hidden_when="The fan rests for less than one poll.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="process-error",
        next_check=(
            "Read sleep level, sleep delay and wake-up difference from the controller's keypad, "
            "and its event list: a drive that trips and resets itself starts as often."
        ),
        expected="It sleeps only at its lowest speed, and wakes after minutes, not seconds.",
        consequence=(
            "About every {cycle_s} s the pressure is lost until the fan is up again; contactor, "
            "belt and motor wear."
        ),
        rivals=("hunting", "setpoint-not-held"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(*_INPUTS, "action-reversed"),
    ),
    Entry(
        fault="hunting",
        kind="loop",
        group="loop",
        title="The loop hunts",
        signature=(
            "Feedback swings about the set point with a steady period, by more than 2 % of span, "
            "for more than ten half periods."
        ),
        separates=(
            "Doors and weather do not come with a period; excess-noise has none. A swing in one "
            "transducer alone is that transducer or its tube, not the loop."
        ),
        needs="A set point, and at least five polls a period.",
        hidden_when="The period is shorter than five polls: it then looks slower, or like noise.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="process-error",
        next_check=(
            "[all transducers] All transducers see it, so the air swings. [one transducer only] "
            "One transducer only sees it: look at its tube first. Put the output by hand to its "
            "present mean: if the swing stops it is the tuning (less gain, longer integral time) "
            "or a sticking damper; if it goes on something else drives it."
        ),
        expected="In hand the swing of {amplitude_Pa} every {period_s} s dies away within periods.",
        consequence=(
            "The pressure swings by {amplitude_Pa} to either side, up to {peak_Pa}, every "
            "{period_s} s."
        ),
        rivals=("excess-noise", "tube-restricted", "sleep-cycling"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(*_INPUTS, "action-reversed", "sleep-cycling"),
    ),
    Entry(
        fault="setpoint-not-held",
        kind="loop",
        group="loop",
        title="The set point is not held",
        signature="The mean of a minute misses the set point on the same side, seven minutes long.",
        separates="hunting misses it on both sides; doors and starts are over sooner.",
        needs="A set point, a running fan, and a running or output point that says so.",
        hidden_when="The loop holds a wrong feedback well: then a setting or a transducer says so.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="process-error",
        next_check=(
            "Output {output}, at a limit for {at_limit_percent_of_time} % of the time. At its "
            "upper limit: look for a door or damper held open, a leak, loaded filters, a slipping "
            "belt. Away from its limits: for hand mode, or an integral that is off."
        ),
        expected="Feedback within 3 % of span of the set point, doors shut.",
        consequence=(
            "When this was found the feedback was {feedback_Pa} instead of {setpoint_Pa}: if it is "
            "right, smoke or dust may go the wrong way, or doors be held."
        ),
        rivals=("output-saturated", "action-reversed", "hunting"),
        raise_s=0.0,
        clear_s=0.0,
        again_s=900.0,
        blocked_by=(*_INPUTS, *_ORDERS, "sleep-cycling"),
    ),
    Entry(
        fault="output-saturated",
        kind="loop",
        group="loop",
        title="The output sits at its limit",
        signature="At its upper or lower limit for 60 % of ten minutes, fan running.",
        separates=(
            "action-reversed sits at the limit that makes the error worse. When the set point is "
            "missed as well, setpoint-not-held takes its place and says by how much."
        ),
        needs="An output point and its range.",
        hidden_when="The site file gives no output range.",
        status=Status.MAINTENANCE_REQUIRED,
        reliability="process-error",
        next_check=(
            "[upper limit] At the upper limit: look for an opening left open, a shut damper, "
            "loaded filters, a slipping belt, a speed limit set too low. [lower limit] At the "
            "lower limit: look for a damper that no longer shuts, wind, or a lowest speed set too "
            "high."
        ),
        expected="In ordinary running the output keeps a tenth of its range free.",
        consequence=(
            "The loop has nothing left: the next disturbance goes straight into the pressure. "
            "When this was found it was {feedback_Pa} of {setpoint_Pa}."
        ),
        rivals=("setpoint-not-held", "action-reversed", "setpoint-above-safe-limit"),
        raise_s=0.0,
        clear_s=0.0,
        again_s=900.0,
        blocked_by=(*_INPUTS, *_ORDERS, "sleep-cycling", "setpoint-not-held"),
    ),
)
