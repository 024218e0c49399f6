"""The only folder that speaks Modbus: read planning, one connection, schedule, words to numbers.

Points of the plant enter, blocks of decoded register values leave. Only function codes 3 and 4
are ever sent.
"""
