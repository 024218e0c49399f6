"""Pressure units and their exact size in pascals.

Source: NIST SP 811 (2008) appendix B.8. "inH2O", "mmH2O" and "cmH2O" are the *conventional* water
column (density 1000 kg/m3, g = 9.80665 m/s2); the inch defined by water at 4 degC (39.2 degF) or
at 60 degF differs by up to 0.1 % and has its own name, because a 0.05 % reference must know.
"""

from __future__ import annotations

G = 9.80665
INCH_M = 0.0254
POUND_KG = 0.45359237

PASCALS: dict[str, float] = {
    "Pa": 1.0,
    "hPa": 100.0,
    "kPa": 1000.0,
    "mbar": 100.0,
    "bar": 100_000.0,
    "psi": POUND_KG * G / INCH_M**2,
    "inH2O": 1000.0 * G * INCH_M,
    "inH2O_4C": 249.082,
    "inH2O_60F": 248.84,
    "mmH2O": G,
    "cmH2O": 10.0 * G,
    "mmHg": 133.322387415,
    "inHg": 25.4 * 133.322387415,
}
"""Pascals in one of each unit. "inH2O_4C" and "inH2O_60F" are SP 811's printed figures."""

PRESSURE_UNITS = tuple(PASCALS)


def in_digits(value: float, digits: int = 4) -> str:
    """A number as people write it: so many digits that count, but 12350, never 1.235e+04."""
    return f"{float(f'{value:.{digits}g}') + 0.0:.15g}"


def to_pa(value: float, unit: str) -> float:
    """A pressure in `unit` as pascals; KeyError for a unit not in PASCALS."""
    return value * PASCALS[unit]


def from_pa(pascals: float, unit: str) -> float:
    """Pascals as a pressure in `unit`; KeyError for a unit not in PASCALS."""
    return pascals / PASCALS[unit]
