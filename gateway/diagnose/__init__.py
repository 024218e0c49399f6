"""Readings enter, findings leave: what is wrong, why we think so, what to check next.

Pure, and the same findings however the history is cut into blocks.
"""
