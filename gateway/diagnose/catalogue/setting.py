"""Mistakes in the controller's settings, seen by comparing it with our own arithmetic."""

from __future__ import annotations

from gateway.diagnose.findings import Status

from .entry import Entry

SETTING = (
    Entry(
        fault="combination-mismatch",
        kind="loop",
        group="setting",
        title="The reported feedback is not what the transducers make together",
        signature="Reported feedback differs from the combined pressure for longer than a poll.",
        separates="The evidence says which combination the feedback does follow, if any.",
        needs="A feedback point, and inputs that are all good; transducers that differ.",
        hidden_when="All transducers read the same: then every combination gives the same.",
        status=Status.OUT_OF_SPECIFICATION,
        reliability="configuration-error",
        next_check=(
            "Read the controller's feedback selection and each input's range and unit from its "
            "keypad, and compare them with the commissioning sheet."
        ),
        expected="The feedback equals the combination named in the site file within rounding.",
        consequence=(
            "The loop holds its set point on a pressure that is {difference_Pa} away from the "
            "one intended."
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
        ),
    ),
)
