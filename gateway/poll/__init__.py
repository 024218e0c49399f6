"""The only folder that speaks Modbus: read planning, one connection, schedule, words to numbers.

Controllers and their points enter; a `Scan` for each poll of a controller leaves, and rows over
all points of the site (one-row blocks) put together from them. Only function codes 3 and 4 are
ever sent.
"""
