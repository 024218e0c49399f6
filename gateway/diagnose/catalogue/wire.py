"""Faults between a transducer and the analog input, seen in the electrical signal."""

from __future__ import annotations

from gateway.diagnose.findings import Status

from .entry import Entry

WIRE = (
    Entry(
        fault="reversed-polarity",
        kind="transducer",
        group="wire",
        title="The two signal wires are exchanged",
        signature="A signal below zero from a device that only sends above it.",
        separates=(
            "No device of this signal sends below zero, and an open circuit reads zero. On a "
            "signal of both signs exchanged wires look like ports-swapped."
        ),
        needs="An input that can show a negative signal, and a device that can drive one.",
        hidden_when=(
            "The input stops at zero, or the device is a two-wire current transmitter, which "
            "blocks the wrong way round: from here that is an open-circuit. A signal of both "
            "signs: then it is a ports-swapped."
        ),
        status=Status.FAILURE,
        reliability="configuration-error",
        next_check=(
            "Measure the volts across the input terminals, red lead on the signal terminal, "
            "before touching anything; then compare both ends of the cable with the drawing."
        ),
        expected="A minus sign on the meter and the right size: {electrical_signal}.",
        consequence=(
            "The controller reads this input as below its range. An average is pulled down and "
            "the fan drives {fan}; a minimum follows it."
        ),
        rivals=("open-circuit", "ports-swapped", "under-range"),
        raise_s=2.0,
        clear_s=2.0,
    ),
    Entry(
        fault="intermittent-wiring",
        kind="transducer",
        group="wire",
        title="A loose wire: the signal drops out again and again",
        signature=(
            "Three or more short drops within ten minutes: a live-zero signal in a failure band, "
            "or a true-zero signal at exactly 0 % while its peers stay up."
        ),
        separates=(
            "An open-circuit stays away; spikes do not reach a failure band; a device that fails "
            "and restarts stays away longer than ten seconds."
        ),
        needs="A live zero, or a running fan; drops that last as long as a poll.",
        hidden_when=(
            "The drops are shorter than the time between two polls, or the controller's own "
            "filter smooths them; a true-zero signal with the fan off."
        ),
        status=Status.FAILURE,
        reliability="unreliable-other",
        next_check=(
            "[mA signal] With a meter in series, and the loop's impairment arranged, move the "
            "cable gently at each terminal and splice while someone watches the meter; tighten "
            "the terminals. [V signal] With a meter across the input terminals, and the loop's "
            "impairment arranged, move the cable gently at each terminal and splice while someone "
            "watches the meter; tighten the terminals."
        ),
        expected="The reading drops to 0 {signal} while one of them is moved, steady after.",
        consequence=(
            "The controller read this input as dead {drops_in_10_min} times in ten minutes; where "
            "the combination follows it, the fan drives {fan} each time: the pressure surges, and "
            "fan and damper wear."
        ),
        rivals=("open-circuit", "spikes", "device-failure-signal"),
        raise_s=0.0,
        clear_s=0.0,
    ),
    Entry(
        fault="open-circuit",
        kind="transducer",
        group="wire",
        title="Open circuit: no signal at all",
        signature=(
            "A live-zero signal at electrical zero, where no working device can be; or a "
            "true-zero signal at exactly 0 % while its peers show pressure."
        ),
        separates=(
            "A device that reports its own failure still sends about 3.5 mA. A short across the "
            "input, reversed polarity and a lost supply look the same from here: the meter "
            "tells them apart."
        ),
        needs=(
            "A live zero (4-20 mA, 2-10 V, 1-5 V) on an input that can show electrical zero; "
            "else a peer that shows pressure."
        ),
        hidden_when=(
            "The signal has no live zero and the fan is off, or the loop has one transducer: a "
            "dead wire then reads a believable 0 %."
        ),
        status=Status.FAILURE,
        reliability="open-loop",
        next_check=(
            "[mA signal] Measure at the input terminals before touching anything else: first the "
            "supply at the transducer, then the current in series. [V signal] Measure before "
            "touching anything else: first the volts across the input terminals, then the supply "
            "and the signal at the transducer's own terminals. Work at live terminals is for "
            "qualified people; on a smoke-control loop arrange the impairment first."
        ),
        expected=(
            "[mA signal] 0 mA in series. [mA signal] Full supply across a two-wire transducer: "
            "the return or the input is open. [mA signal] 0 V across it: the feed is open or the "
            "supply is dead. [V signal] About 0 V across the input. [V signal] A signal at the "
            "transducer all the same: the wire between is open, or shorted. [V signal] None "
            "there either: the transducer is dead when its supply is right, else its feed is."
        ),
        consequence=(
            "[live zero] The controller reads this input as {electrical_signal}, below its range. "
            "[no live zero] The controller takes the {electrical_signal} of this input for "
            "{reading_Pa}. An average is pulled {pulled} and the fan drives {fan}; a {follower} "
            "follows the dead input; a median shuts it out while two others agree."
        ),
        rivals=(
            "short-circuit",
            "reversed-polarity",
            "tube-off",
            "ports-swapped",
            "intermittent-wiring",
            "device-failure-signal",
        ),
        # Three polls of a second, whatever the clock's jitter.
        raise_s=1.5,
        clear_s=1.5,
        blocked_by=("reversed-polarity", "intermittent-wiring"),
    ),
    Entry(
        fault="short-circuit",
        kind="transducer",
        group="wire",
        title="Supply voltage on the input",
        signature="A signal far above anything a working device sends, at the end of the input.",
        separates="A device failing high stays below the end of the input (21 to about 23 mA).",
        needs="An input that can show more than the device's own failure signal.",
        hidden_when="The input stops at or near 100 %: then only over-range can be said.",
        status=Status.FAILURE,
        reliability="shorted-loop",
        next_check=(
            "Power the loop down before touching it. [mA signal] Then look for a bridged two-wire "
            "transducer or a feed wire on the signal terminal. [mA signal] Afterwards check the "
            "input's shunt: it may have been overloaded. [V signal] Then look for a feed wire on "
            "the signal terminal. [V signal] Afterwards prove the input with a known voltage: it "
            "may have been overloaded."
        ),
        expected=(
            "[mA signal] About the full supply voltage across the input; with power off 250 or "
            "500 ohm. [V signal] About the full supply voltage across the input."
        ),
        consequence=(
            "The controller reads full scale. An average is pushed up and the fan drives {fan}: "
            "the true pressure is lower than it says; a maximum follows it; a median shuts it out "
            "while two others agree."
        ),
        rivals=("device-failure-signal", "over-range"),
        raise_s=1.5,
        clear_s=1.5,
        blocked_by=("intermittent-wiring",),
    ),
    Entry(
        fault="device-failure-signal",
        kind="transducer",
        group="wire",
        title="The transducer reports its own failure",
        signature=(
            "The signal sits in a failure band (4-20 mA: at or below 3.6, or at or above 21.0 mA) "
            "but not at electrical zero or at the supply."
        ),
        separates="An open circuit reads zero; a short reads the end of the input.",
        needs="A live zero for the low side; an input beyond 105 % for the high side.",
        hidden_when="The input clamps at 0 and 100 %, or the signal has no failure band.",
        status=Status.FAILURE,
        reliability="no-sensor",
        next_check=(
            "[mA signal] Look at the transducer's own display or lamp, and measure the current in "
            "series: the same value there means that the device sends it. [V signal] Look at the "
            "transducer's own display or lamp, and measure the volts at its own terminals: the "
            "same value there means that the device sends it."
        ),
        expected="The meter shows {electrical_signal}, steady.",
        consequence="The input's value means nothing; what the combination makes of it is wrong.",
        rivals=("open-circuit", "short-circuit", "over-range"),
        raise_s=4.0,
        clear_s=4.0,
        blocked_by=("reversed-polarity", "intermittent-wiring"),
    ),
    Entry(
        fault="signal-undefined-band",
        kind="transducer",
        group="wire",
        title="The signal stays between measuring and failing",
        signature="4-20 mA: between 3.6 and 3.8, or between 20.5 and 21.0 mA, for long.",
        separates="Neither a measurement nor a failure signal: the standard leaves it undefined.",
        needs="A signal with failure bands, on an input that can show them.",
        hidden_when="The input clamps at 0 and 100 %.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="unreliable-other",
        next_check=(
            "[mA signal] Measure the current in series and compare it with what the controller "
            "shows: a difference is the input, the same value is the transducer, its zero, or "
            "leakage in a wet cable. [V signal] Measure the volts across the input and compare "
            "them with what the controller shows: a difference is the input, the same value is "
            "the transducer, its zero, or leakage in a wet cable."
        ),
        expected="The meter shows {electrical_signal}.",
        consequence="The value is near the end of the range and cannot be relied on.",
        rivals=("device-failure-signal", "zero-drift", "under-range", "over-range"),
        raise_s=30.0,
        clear_s=10.0,
        blocked_by=(
            "reversed-polarity",
            "intermittent-wiring",
            "open-circuit",
            "short-circuit",
            "device-failure-signal",
        ),
    ),
    Entry(
        fault="floating-input",
        kind="transducer",
        group="wire",
        title="The voltage input floats: nothing drives it",
        signature="Far more noise than usual, and a level that has nothing to do with its peers.",
        separates=(
            "excess-noise keeps its mean in the right place; an open wire with a pull-down reads "
            "zero without noise."
        ),
        needs="A voltage input, a peer, and some minutes of its usual noise.",
        hidden_when=(
            "A current input: its shunt pulls it to zero. A floating input beside a channel that "
            "reads the same, without hum, copies that channel and looks right."
        ),
        status=Status.FAILURE,
        reliability="no-sensor",
        next_check=(
            "Take the signal wire off: a reading that stays is the input's own. Then put 10 kohm "
            "across the input terminals."
        ),
        expected="With 10 kohm across the terminals the reading falls to 0 V at once.",
        consequence=(
            "It shows {reading_Pa} beside peers at {peers_Pa}, and means nothing. The loop "
            "follows hum and the neighbouring channel for its share of the combination."
        ),
        rivals=("excess-noise", "open-circuit", "intermittent-wiring"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(
            "stale-data",
            "reversed-polarity",
            "intermittent-wiring",
            "open-circuit",
            "short-circuit",
            "device-failure-signal",
        ),
    ),
    Entry(
        fault="flat-top",
        kind="transducer",
        group="wire",
        title="The signal is capped below full scale",
        signature=(
            "The reading stops at one level below 100 %, again and again or all the time, while "
            "its peers go higher; below that level it is right."
        ),
        separates=(
            "over-range stops at the end of the range; a frozen one does not come down either; "
            "tube-restricted passes the level, only late."
        ),
        needs="A peer, and a pressure that goes above the ceiling.",
        hidden_when="The pressure stays below the ceiling, or it lies above 100 %.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="over-range",
        next_check=(
            "Measure the supply across the transducer while its signal is at the top, then the "
            "ohms of the loop with the power off: shunt, wire, anything added in series."
        ),
        expected=(
            "Two-wire current: less than its lift-off voltage (often 10 to 12 V) left across it. "
            "Voltage output: a supply only about 2 V above the top of the signal."
        ),
        consequence=(
            "Above {top_Pa} it reads too low. An average and a minimum then hold more pressure "
            "than they say; a maximum is blind above that level."
        ),
        rivals=("frozen", "tube-restricted", "span-drift", "over-range"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(
            "stale-data",
            "reversed-polarity",
            "intermittent-wiring",
            "open-circuit",
            "short-circuit",
            "device-failure-signal",
        ),
    ),
)
