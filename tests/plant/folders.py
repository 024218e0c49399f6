"""A small valid site file with a register map, to be spoiled by tests."""

from __future__ import annotations

from pathlib import Path

SITE = """\
[site]
id = "mill-lane"
name = "Mill Lane"
timezone = "Europe/Dublin"

[controllers.sf-2]
host = "127.0.0.1"
port = 15020
register_map = "maps/drive.toml"

[controllers.sf-2.points]
setpoint = { table = "holding", address = 46, type = "int16", scale = 0.1, unit = "Pa" }
running = { table = "holding", address = 1, bit = 0 }

[controllers.plc]
host = "plc.mill-lane"
heartbeat = "beat"
reads = { max_registers = 20, forbidden_input = [[100, 199]] }

[controllers.plc.points]
ai1 = { table = "input", address = 5, unit = "counts" }
ai1_value = { table = "input", address = 20, type = "float32", unit = "kPa" }
beat = { table = "holding", address = 7 }

[transducers.dp-201]
counts = "sf-2.ai1_counts"
signal = "4-20 mA"
input = { counts = [0, 32000], electrical = [0, 20], unit = "mA", clamps = true }
range = [-25, 100]
unit = "Pa"
calibrated = 2026-03-02
controller_value = "sf-2.ai1_scaled"

[transducers.dp-202]
counts = "sf-2.ai2_counts"
signal = "4-20 mA"
input = { counts = [0, 32000], electrical = [0, 10], unit = "V", shunt_ohm = 500 }
range = [0, 0.1]
unit = "kPa"

[transducers.dp-301]
counts = "plc.ai1"
signal = "0-10 V"
input = { counts = [0, 4095], electrical = [0, 10], unit = "V" }
range = [0, 2]
unit = "inH2O"
controller_value = "plc.ai1_value"
bands = { short_above = 11.5 }

[loops.stair-b]
transducers = ["dp-201", "dp-202"]
combine = "average"
feedback = "sf-2.feedback"
setpoint = "sf-2.setpoint"
output = "sf-2.output"
output_range = [15, 60]
running = "sf-2.running"
limits = { low = 12.5, high = 60 }
door = { width_m = 0.91, height_m = 2.13, closer_N = 40, force_limit_N = 133 }
"""

MAP = """\
title = "Invented drive"
heartbeat = "uptime"
reads = { max_registers = 60 }

[points]
uptime = { table = "input", address = 0, unit = "s" }
ai1_counts = { table = "input", address = 10, type = "int16" }
ai2_counts = { table = "input", address = 11, type = "int16" }
ai1_scaled = { table = "holding", address = 40, type = "float32", unit = "Pa" }
feedback = { table = "holding", address = 44, type = "float32", unit = "Pa" }
setpoint = { table = "holding", address = 99, unit = "Pa" }
output = { table = "holding", address = 48, scale = 0.01, unit = "Hz" }
"""


class SiteFolder:
    """A folder with a site file and a map that tests may spoil."""

    def __init__(self, folder: Path) -> None:
        self.site = folder / "site.toml"
        self.map = folder / "maps" / "drive.toml"
        self.map.parent.mkdir()
        self.site.write_text(SITE)
        self.map.write_text(MAP)

    def change(self, *changes: tuple[str, str]) -> None:
        """Replace the first occurrence of each text in the site file; it must be there."""
        self.site.write_text(changed(self.site.read_text(), *changes))

    def change_map(self, *changes: tuple[str, str]) -> None:
        """The same in the register map."""
        self.map.write_text(changed(self.map.read_text(), *changes))


def changed(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text
