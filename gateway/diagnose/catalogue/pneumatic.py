"""Faults in the tubes, which no electrical signal shows: only the peers and the fan tell."""

from __future__ import annotations

from gateway.diagnose.findings import Status

from .entry import Entry

_WIRE = (
    "open-circuit", "short-circuit", "device-failure-signal", "stale-data", "reversed-polarity",
    "intermittent-wiring", "floating-input",
)  # fmt: skip
"""Faults of link and wire that leave no pressure to be judged."""

PNEUMATIC = (
    Entry(
        fault="ports-swapped",
        kind="transducer",
        group="pneumatic",
        title="High and low port exchanged",
        signature="Reads the pressure of its peers with the opposite sign.",
        separates="tube-off reads about nothing; here the size is right and the sign wrong.",
        needs="A bipolar range and a running fan.",
        hidden_when="A unipolar range: the reading then rests at its lower end, like a dead wire.",
        status=Status.FAILURE,
        reliability="configuration-error",
        next_check=(
            "Follow both tubes from the tappings to the ports. With the fan at rest, press "
            "lightly on a bulb at the high port: the reading must rise."
        ),
        expected="Pressure on the high port raises the signal above its value at zero pressure.",
        consequence=(
            "It shows {reading_Pa} where its peers show {peers_Pa}. In an average the two cancel, "
            "and the fan drives up without end; a minimum follows the negated reading."
        ),
        rivals=("range-mismatch", "tube-off"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=_WIRE,
    ),
    Entry(
        fault="tube-off",
        kind="transducer",
        group="pneumatic",
        title="Tube off: reads the room instead of the loop",
        signature="Reads about nothing while its peers show pressure and the fan runs.",
        separates=(
            "The signal is alive and noisy, so the wire is good; with the fan off it reads zero "
            "rightly, so it is not its zero."
        ),
        needs="A peer, and a running fan.",
        hidden_when="The fan is off, or the loop has one transducer.",
        status=Status.FAILURE,
        reliability="no-sensor",
        next_check=(
            "Look at both tubes at the transducer and at the tapping. Push the tube back on, or "
            "press lightly on a bulb at the port."
        ),
        expected="A bulb on the port moves the signal at once; both ports open: {rest_signal}.",
        consequence=(
            "It shows {reading_Pa} where its peers show {peers_Pa}. An average is pulled {pulled} "
            "and the fan drives {fan}, with two transducers to twice the true pressure: doors may "
            "be held shut. A {follower} follows the dead transducer; a {ignorer} ignores it; a "
            "median shuts it out while two others agree."
        ),
        rivals=("open-circuit", "zero-drift", "frozen", "ports-swapped"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=_WIRE,
    ),
    Entry(
        fault="liquid-in-tube",
        kind="transducer",
        group="pneumatic",
        title="Sudden offset: water in a tube, or the transducer was moved",
        signature="An offset that came within seconds and stays, at any pressure.",
        separates="zero-drift creeps; span-drift goes away with the fan off.",
        needs="A peer that did not jump.",
        hidden_when="The loop has one transducer, or the step is within its uncertainty.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="unreliable-other",
        next_check=(
            "Look for water in low points of both tubes and drain them; see whether the "
            "transducer was turned or knocked. Then bridge the ports."
        ),
        expected=(
            "After draining the offset of {shift_Pa} is gone. 25 mm of water height in one leg "
            "is worth 245 Pa. With ports bridged: zero within tolerance."
        ),
        consequence=(
            "It reads {shift_Pa} beside the truth. An average is off by its share of that; a "
            "minimum or maximum may follow it whole; a median shuts it out while two others agree."
        ),
        rivals=("zero-drift", "tube-off", "frozen", "span-drift"),
        raise_s=0.0,
        clear_s=0.0,
        blocked_by=(*_WIRE, "flat-top"),
    ),
    Entry(
        fault="tube-restricted",
        kind="transducer",
        group="pneumatic",
        title="A tube is nearly closed: the reading follows slowly",
        signature=(
            "It has lost the fast movement that its peers still show, keeps the device's own "
            "noise, and its mean is still right."
        ),
        separates=(
            "A frozen one does not follow even slowly; tube-off and liquid-in-tube read wrong; "
            "a flat-top is fast below its ceiling."
        ),
        needs="A peer, a running fan, and some minutes of its usual movement.",
        hidden_when=(
            "The fan is off, the loop has one transducer, the air hardly moves beside the "
            "device's own noise, or polls are slower than the air. A restriction that was there "
            "from the start is taken for usual, and a damping set in the device looks the same."
        ),
        status=Status.MAINTENANCE_REQUIRED,
        reliability="unreliable-other",
        next_check=(
            "Look for kinks, dirt, frost and closed valves in both tubes, and for the device's "
            "damping setting. Then pull a tube off at the transducer and watch the signal fall."
        ),
        expected=(
            "A clear tube falls to zero pressure, {rest_signal}, within a second; a restricted one "
            "takes many."
        ),
        consequence=(
            "The loop sees {reading_Pa}, rightly, but late: it answers doors and gusts late and "
            "may start to hunt."
        ),
        rivals=("frozen", "flat-top", "tube-off"),
        raise_s=0.0,
        clear_s=0.0,
        again_s=600.0,
        blocked_by=(*_WIRE, "flat-top", "ports-swapped", "tube-off", "liquid-in-tube"),
        follows=("tube-off",),
    ),
)
