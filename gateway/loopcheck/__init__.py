"""What a person applies and what was read enter; what to do next, verdicts and a record leave.

Pure: time and readings come in as events, and a check is what its events come to.
"""
