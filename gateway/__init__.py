"""Loopwitness: an independent witness for pressure loops behind a Modbus TCP controller.

Read the folders in the order data meets them: plant, poll, measure, diagnose, record, live,
publish, web; `run.py` is where they are joined.
"""
