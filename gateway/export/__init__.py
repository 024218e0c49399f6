"""What was recorded, for other tools.

A site, an order (which rows, of what, from when to when) and the history file enter; a table leaves
in slices, as CSV or Parquet, with what a stranger must know to read it.
"""
