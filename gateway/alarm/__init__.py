"""Readings and findings enter, transitions of alarms leave: few, true, with a cause, never lost.

Pure: time comes in with the rows. Everything that must survive a crash is in the transitions.
"""
