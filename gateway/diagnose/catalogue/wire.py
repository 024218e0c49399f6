"""Faults between a transducer and the analog input, seen in the electrical signal."""

from __future__ import annotations

from gateway.diagnose.findings import Status

from .entry import Entry

WIRE = (
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
            "Measure at the input terminals before touching anything else: first the supply at "
            "the transducer, then the current in series. Work at live terminals is for qualified "
            "people; on a smoke-control loop arrange the impairment first."
        ),
        expected=(
            "0 mA in series. Full supply across a two-wire transducer: the return or the input "
            "is open. 0 V across it: the feed is open or the supply is dead."
        ),
        consequence=(
            "The controller reads this input as {electrical_signal}, below its range. An average "
            "is pulled down and the fan drives up; a minimum follows the dead input."
        ),
        rivals=("short-circuit", "reversed-polarity", "device-failure-signal"),
        raise_s=2.0,
        clear_s=2.0,
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
            "Power the loop down before touching it, then look for a bridged two-wire "
            "transducer or a feed wire on the signal terminal. Afterwards check the input's "
            "shunt: it may have been overloaded."
        ),
        expected="About the full supply voltage across the input; with power off 250 or 500 ohm.",
        consequence=(
            "The controller reads full scale. An average is pushed up and the fan drives down: "
            "the true pressure is lower than it says."
        ),
        rivals=("device-failure-signal", "over-range"),
        raise_s=2.0,
        clear_s=2.0,
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
            "Look at the transducer's own display or lamp, and measure the current in series: "
            "the same value there means that the device sends it."
        ),
        expected="The meter shows {electrical_signal}, steady.",
        consequence="The input's value means nothing; what the combination makes of it is wrong.",
        rivals=("open-circuit", "short-circuit", "over-range"),
        raise_s=4.0,
        clear_s=4.0,
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
            "Measure the current in series and compare it with what the controller shows: a "
            "difference is the input, the same value is the transducer, its zero, or leakage "
            "in a wet cable."
        ),
        expected="The meter shows {electrical_signal}.",
        consequence="The value is near the end of the range and cannot be relied on.",
        rivals=("device-failure-signal", "zero-drift", "under-range", "over-range"),
        raise_s=30.0,
        clear_s=10.0,
        blocked_by=("open-circuit", "short-circuit", "device-failure-signal"),
    ),
)
