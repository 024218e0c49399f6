"""The HTTP interface, the live page and its event stream. Reads the live state and the store."""
