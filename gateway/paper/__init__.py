"""Plain data of a record or a sheet enters; a PDF leaves, the same bytes every time."""
