"""Mistakes in the controller's settings, seen by comparing it with our own arithmetic."""

from __future__ import annotations

from gateway.diagnose.findings import Status

from .entry import Entry

_LINK = ("no-communication", "bad-reply", "stale-data")
_WIRE = ("open-circuit", "short-circuit", "device-failure-signal", "signal-undefined-band")
SCALING = (
    "live-zero-mismatch", "signal-mismatch", "unit-mismatch", "percent-for-value",
    "range-mismatch",
)  # fmt: skip
"""Faults of one input's scaling."""
_NEEDS = (
    "The controller's own value of the input, and enough movement of the pressure to tell gain "
    "from offset: minutes of ordinary running, or a start of the fan."
)
_HIDDEN = (
    "The site file names no point for the controller's value; or the pressure stays where the "
    "wrong and the right line cross; or the value stands still at an end that is believable."
)
_EXPECTED = (
    "Controller, nameplate and site file agree on signal, range and unit; the controller then "
    "shows {pressure_Pa}, as computed from its own counts."
)
_CONSEQUENCE = (
    "The controller takes {pressure_Pa} at this input for {controller_shows_Pa}. It behaves as if "
    "scaled {implied_low_Pa} to {implied_high_Pa}."
)

SETTING = (
    Entry(
        fault="live-zero-mismatch",
        kind="transducer",
        group="setting",
        title="Live zero set wrongly in the controller",
        signature=(
            "Shown = 0.8 x true + 20 % (a live zero read as a true zero), or 1.25 x true - 25 % "
            "(a true zero read as a live zero)."
        ),
        separates="signal-mismatch doubles or halves; range-mismatch has any other gain.",
        needs=_NEEDS,
        hidden_when=_HIDDEN,
        status=Status.OUT_OF_SPECIFICATION,
        reliability="configuration-error",
        next_check=(
            "Read the nameplate of the transducer, then the signal type of this input from the "
            "controller's keypad. What fits: {fits}. It cannot be told from: {cannot_tell_from}."
        ),
        expected=_EXPECTED,
        consequence=(
            _CONSEQUENCE + " The error is greatest at zero and gone at full scale; a dead wire "
            "may look like a good zero."
        ),
        rivals=("range-mismatch", "percent-for-value", "signal-mismatch"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(*_LINK, *_WIRE),
    ),
    Entry(
        fault="signal-mismatch",
        kind="transducer",
        group="setting",
        title="Signal or shunt is not the one the input is set for",
        signature=(
            "Shown is about 2, 0.5, 0.67 or 0.4 times true, with the offset that the live zero "
            "then makes (25, -12.5, -8.3, 10 %)."
        ),
        separates="live-zero-mismatch keeps full scale right; a unit has another ratio.",
        needs=_NEEDS,
        hidden_when=(
            _HIDDEN
            + " A shunt that the controller and the site file are both wrong about shows in "
            "the peers only; a volt source on the matching shunt of a current input reads right."
        ),
        status=Status.OUT_OF_SPECIFICATION,
        reliability="configuration-error",
        next_check=(
            "Compare the input's type and the nameplate. What fits: {fits}. Power off, lift the "
            "wire and measure the ohms across the input. It cannot be told from: "
            "{cannot_tell_from}."
        ),
        expected=(
            "4.00 mA makes 1.000 V on 250 ohm, 2.000 V on 500 ohm; a volt input shows no shunt. "
            + _EXPECTED
        ),
        consequence=_CONSEQUENCE,
        rivals=("range-mismatch", "live-zero-mismatch", "unit-mismatch"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(*_LINK, *_WIRE),
    ),
    Entry(
        fault="unit-mismatch",
        kind="transducer",
        group="setting",
        title="The controller's value is in another unit",
        signature="Shown is a constant times true, the ratio of two pressure units, at any value.",
        separates="range-mismatch has another ratio; percent-for-value depends on the range.",
        needs=_NEEDS,
        hidden_when=_HIDDEN + " Two units with nearly the same size (hPa and cmH2O).",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="configuration-error",
        next_check=(
            "Read the unit of this input from the controller's keypad and compare it with the "
            "register map. What fits: {fits}. The mistake may be in the site file."
        ),
        expected=_EXPECTED,
        consequence=_CONSEQUENCE,
        rivals=("range-mismatch", "percent-for-value"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(*_LINK, *_WIRE),
    ),
    Entry(
        fault="percent-for-value",
        kind="transducer",
        group="setting",
        title="Per cent shown where a pressure is meant",
        signature="Shown runs from 0 to 100 while the pressure runs through the range.",
        separates="unit-mismatch does not depend on the range.",
        needs=_NEEDS,
        hidden_when=_HIDDEN + " The range is 0 to 100 of the unit: then both are the same.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="configuration-error",
        next_check=(
            "Does the controller scale this input at all? Compare set point and feedback on its "
            "keypad. It cannot be told from: {cannot_tell_from}."
        ),
        expected=_EXPECTED,
        consequence=_CONSEQUENCE,
        rivals=("range-mismatch", "live-zero-mismatch", "unit-mismatch"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(*_LINK, *_WIRE),
    ),
    Entry(
        fault="range-mismatch",
        kind="transducer",
        group="setting",
        title="Range set wrongly in the controller",
        signature=(
            "Shown is a straight line of true that is no other known mistake; its ends tell the "
            "range that was set."
        ),
        separates="The evidence says which other settings fit as well, as long as any do.",
        needs=_NEEDS,
        hidden_when=_HIDDEN,
        status=Status.OUT_OF_SPECIFICATION,
        reliability="configuration-error",
        next_check=(
            "Read both ends of this input's range from the controller's keypad and compare them "
            "with the nameplate. They look like {implied_low_Pa} to {implied_high_Pa}. It cannot "
            "be told yet from: {cannot_tell_from}."
        ),
        expected=_EXPECTED,
        consequence=_CONSEQUENCE,
        rivals=("unit-mismatch", "signal-mismatch", "live-zero-mismatch", "percent-for-value"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(*_LINK, *_WIRE),
    ),
    Entry(
        fault="combination-mismatch",
        kind="loop",
        group="setting",
        title="The reported feedback is not what the transducers make together",
        signature="Reported feedback differs from the combined pressure for longer than a poll.",
        separates="The evidence says which combination the feedback does follow, if any.",
        needs="A feedback point, and inputs that are all good; transducers that differ.",
        hidden_when=(
            "All transducers read the same: then every combination gives the same. Where the site "
            "file names no point for the controller's own inputs, wrong scaling looks alike."
        ),
        status=Status.OUT_OF_SPECIFICATION,
        reliability="configuration-error",
        next_check=(
            "Read the controller's feedback selection and each input's range and unit from its "
            "keypad, and compare them with the commissioning sheet. A feedback far beyond what "
            "the transducers can show comes from another register, type or word_order: compare "
            "its point in the register map with the controller's manual."
        ),
        expected="The feedback equals the combination named in the site file within rounding.",
        consequence=(
            "The loop holds a feedback that is {difference_Pa} away from the combination that "
            "was intended."
        ),
        rivals=("range-mismatch", "unit-mismatch", "live-zero-mismatch", "percent-for-value"),
        raise_s=15.0,
        clear_s=15.0,
        blocked_by=(
            "stale-data",
            "open-circuit",
            "short-circuit",
            "device-failure-signal",
            "signal-undefined-band",
            "over-range",
            "under-range",
            *SCALING,
        ),
    ),
    Entry(
        fault="action-reversed",
        kind="loop",
        group="setting",
        title="The output moves the wrong way",
        signature=(
            "While the error stays on one side the output moves so that it grows, until it sits "
            "at a limit; or it stands at the limit that it should leave."
        ),
        separates=(
            "output-saturated sits at the limit that the error asks for; hunting turns back by "
            "itself."
        ),
        needs="Set point, feedback, output and its range, and the action in the site file.",
        hidden_when="The fan is off, or the loop was never left to itself.",
        status=Status.FAILURE,
        reliability="configuration-error",
        next_check=(
            "Read the controller's action (direct or reverse) from its keypad. Then see whether it "
            "is in automatic at all: a hand setting, an interlock or a drive that limits itself "
            "moves the output against the loop too."
        ),
        expected=(
            "With the loop in automatic and the set point raised a little, the output changes in "
            "the direction that raises the pressure."
        ),
        consequence=(
            "The loop drives itself to a limit and stays there, {error_Pa} from its set point: "
            "full pressure, or none."
        ),
        rivals=("output-saturated", "combination-mismatch"),
        raise_s=60.0,
        clear_s=30.0,
        blocked_by=(*_LINK, *_WIRE, "ports-swapped", "tube-off", "frozen", *SCALING),
    ),
    Entry(
        fault="setpoint-outside-range",
        kind="loop",
        group="setting",
        title="Set point beyond what the transducers can show",
        signature="The set point lies outside the combined range of the loop's transducers.",
        separates="setpoint-above-safe-limit is a pressure that the transducers still show.",
        needs="A set point.",
        hidden_when="Never, while the set point can be read.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="configuration-error",
        next_check=(
            "Read set point and unit from the controller's keypad and compare them with the "
            "commissioning sheet: a unit or a decimal point may have moved."
        ),
        expected="A set point well inside the range, which ends at {range_end_Pa}.",
        consequence=(
            "Feedback can never reach {setpoint_Pa}: the output goes to its limit and the loop "
            "holds nothing."
        ),
        rivals=("unit-mismatch", "range-mismatch", "setpoint-above-safe-limit"),
        raise_s=30.0,
        clear_s=5.0,
        blocked_by=_LINK,
    ),
    Entry(
        fault="setpoint-above-safe-limit",
        kind="loop",
        group="setting",
        title="Set point above the limit for doors or for the space",
        signature=(
            "At the set point the door would take more than its force limit, or the set point "
            "passes the limits in the site file."
        ),
        separates="setpoint-outside-range is beyond what the transducers can show.",
        needs="A set point, and a door or limits in the site file.",
        hidden_when="The site file gives neither.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="configuration-error",
        next_check=(
            "Compare the set point with the commissioning sheet; measure the force that opens the "
            "door with a spring scale at the knob, fan running."
        ),
        expected="A set point within the limits, and a door force within its own.",
        consequence=(
            "The loop aims at {setpoint_Pa}. Too much pressure holds doors shut against people "
            "who must get out; the door allows {door_allows_Pa}."
        ),
        rivals=("setpoint-outside-range", "unit-mismatch"),
        raise_s=30.0,
        clear_s=5.0,
        blocked_by=(*_LINK, "setpoint-outside-range"),
    ),
)
