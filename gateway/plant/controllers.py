"""A controller: what answers Modbus TCP, and the points read from it."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from .noun import Host, Noun, PointName, one_of
from .units import PRESSURE_UNITS

Table = Literal["input", "holding"]
RegisterType = Literal["int16", "uint16", "int32", "uint32", "float32", "float64"]
Order = Literal["high-first", "low-first"]

REGISTERS: dict[str, int] = {
    "int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2, "float64": 4,
}  # fmt: skip
"""Registers (16-bit words) that each type fills."""

OTHER_UNITS = ("", "%", "Hz", "rpm", "mA", "V", "counts", "s", "degC")
POINT_UNITS = PRESSURE_UNITS + OTHER_UNITS
PointUnit = Annotated[str, *one_of(POINT_UNITS)]


class Point(Noun):
    """One register value. Decoded value = raw x scale + offset, in `unit`."""

    table: Table
    """input: function code 4; holding: function code 3."""
    address: int = Field(ge=0, le=65535)
    """Address on the wire, counted from 0."""
    type: RegisterType = "uint16"
    word_order: Order = "high-first"
    """Which of several registers comes first."""
    byte_order: Order = "high-first"
    """Which byte of a register comes first (Modbus says high-first)."""
    bit: int | None = Field(default=None, ge=0, le=15)
    """Only this bit of a uint16, 0 = least significant; the value is 0 or 1."""
    scale: float = 1.0
    offset: float = 0.0
    unit: PointUnit = ""
    invalid: tuple[float, ...] = ()
    """Raw values by which the controller says "no value"."""

    @property
    def registers(self) -> int:
        """16-bit words this point fills."""
        return REGISTERS[self.type]

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.bit is not None and self.type != "uint16":
            raise ValueError(f"bit {self.bit} of a {self.type}: a bit is taken from a uint16 only")
        if self.address + self.registers > 65536:
            raise ValueError(
                f"address {self.address} of a {self.type}: last register at most 65535"
            )
        if self.scale == 0:
            raise ValueError("scale 0 would make every value the same: any number but 0")
        return self


class Reads(Noun):
    """How registers may be asked for, from the controller's own manual."""

    max_registers: int = Field(default=125, ge=1, le=125)
    """Most registers in one request (the protocol allows 125)."""
    max_gap: int = Field(default=8, ge=0, le=124)
    """Unwanted registers that may be read along to save a request."""
    forbidden_input: tuple[tuple[int, int], ...] = ()
    """First and last address of input registers never to be touched."""
    forbidden_holding: tuple[tuple[int, int], ...] = ()
    """The same for holding registers."""
    pause_s: float = Field(default=0.0, ge=0, le=5)
    """Rest between two requests, for slow controllers."""

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        for first, last in self.forbidden_input + self.forbidden_holding:
            if not 0 <= first <= last <= 65535:
                raise ValueError(f"range [{first}, {last}]: 0 <= first <= last <= 65535")
        return self


class Controller(Noun):
    """What answers Modbus TCP: a drive, a PLC, a gateway to serial devices."""

    host: Host = Field(min_length=1, max_length=253)
    port: int = Field(default=502, ge=1, le=65535)
    unit_id: int = Field(default=1, ge=0, le=255)
    interval_s: float = Field(default=1.0, ge=0.1, le=3600)
    """Seconds between two polls."""
    timeout_s: float = Field(default=1.0, ge=0.05, le=60)
    """Longest wait for a connection or an answer."""
    description: str = ""
    register_map: str | None = None
    """Path of a register map file, relative to the site file."""
    reads: Reads = Reads()
    heartbeat: PointName | None = None
    """A point that the controller changes by itself at least every 10 s while it is alive."""
    points: dict[PointName, Point] = Field(default_factory=dict)


class RegisterMap(Noun):
    """A register map file: the points of one kind of controller, written from its manual."""

    title: str = ""
    note: str = ""
    heartbeat: PointName | None = None
    reads: Reads | None = None
    points: dict[PointName, Point] = Field(min_length=1)
