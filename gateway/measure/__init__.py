"""Counts become volts or milliamps, pressures, qualities and combined pressures.

A `Block` of register values enters, `Readings` leave. Pure: time comes in with the block, nothing
goes out.
"""
