"""What to take care of, said where it belongs: before a check, beside a step, on the record."""

from __future__ import annotations

LIFE_SAFETY = (
    "A smoke-control loop is life safety: arrange the impairment, a fire watch where it is "
    "required, and tell those who rely on it, before the first tube is taken off."
)
DRIVE = (
    "While pressure is applied the loop's feedback is not true and its fan follows it: put the "
    "drive in hand or off, or expect it to run up or down."
)
LOCK_OUT = (
    "Lock out and tag out before touching drive terminals; leave live terminals to qualified "
    "people."
)
OVER_PRESSURE = (
    "A breath destroys a transducer of low range: use a tee or leave the other port open, come up "
    "slowly, never pass the pressure that its maker allows."
)
READ_ONLY = (
    "The program writes nothing to the controller: what has to be changed there, a person enters "
    "and checks again."
)
AFTERWARDS = (
    "Put tubes, wires and settings back, end the impairment, and test the loop before it is "
    "relied on again."
)
AUTHORITY = (
    "Figures here are aids: local codes, the authority having jurisdiction and licensed practice "
    "decide. This is no test of a smoke-control system."
)
BEFORE = (LIFE_SAFETY, DRIVE, LOCK_OUT, OVER_PRESSURE, READ_ONLY, AUTHORITY)
ON_RECORD = (LIFE_SAFETY, LOCK_OUT, OVER_PRESSURE, AFTERWARDS, AUTHORITY)
ON_SHEET = (LIFE_SAFETY, LOCK_OUT, READ_ONLY, AUTHORITY)
