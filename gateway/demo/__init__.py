"""A simulated plant behind a real Modbus TCP server, with faults to switch on.

The Harbour Street Archive is fictional, and so are its register maps.
"""
