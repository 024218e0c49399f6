"""What stands in the building: controllers, points, transducers, loops; and the site file.

A TOML file enters (`sitefile.read_site`), a frozen `Site` leaves, or a `SiteFileError` with every
fault. Nothing here reads a clock or a socket; only `sitefile` reads files.
"""
