"""Pressure units against NIST SP 811 and against pint."""

from __future__ import annotations

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.plant.units import PASCALS, PRESSURE_UNITS, from_pa, in_digits, to_pa

# NIST SP 811 (2008) appendix B.8, figures as printed there.
SP_811 = {
    "inH2O": 2.490889e02,
    "inH2O_4C": 2.49082e02,
    "inH2O_60F": 2.4884e02,
    "mmH2O": 9.80665e00,
    "cmH2O": 9.80665e01,
    "psi": 6.894757e03,
    "inHg": 3.386389e03,
    "mmHg": 1.333224e02,
    "mbar": 1.0e02,
    "bar": 1.0e05,
}
REGISTRY: pint.UnitRegistry[float] = pint.UnitRegistry()
PINT = {
    "psi": "psi",
    "mbar": "mbar",
    "kPa": "kPa",
    "hPa": "hPa",
    "mmHg": "mmHg",
    "inHg": "inHg",
    "cmH2O": "centimeter_H2O",
}


@pytest.mark.parametrize("unit", SP_811)
def test_units_agree_with_sp_811_to_its_last_digit(unit: str) -> None:
    assert PASCALS[unit] == pytest.approx(SP_811[unit], rel=3e-7)


@pytest.mark.parametrize("unit", PINT)
def test_units_agree_with_pint(unit: str) -> None:
    # pint's water and mercury have a density of fewer digits, hence 3e-5.
    reference = REGISTRY.Quantity(1.0, PINT[unit]).to("pascal").magnitude
    assert PASCALS[unit] == pytest.approx(reference, rel=3e-5)


def test_the_conventional_inch_is_exact() -> None:
    # 25.4 mm of water of 1000 kg/m3 at g = 9.80665 m/s2.
    assert PASCALS["inH2O"] == pytest.approx(249.08891, abs=1e-9)
    assert 27.6799047 * PASCALS["inH2O"] == pytest.approx(PASCALS["psi"], rel=1e-8)


def test_the_three_inches_differ_as_stated() -> None:
    assert PASCALS["inH2O"] / PASCALS["inH2O_60F"] - 1 == pytest.approx(0.00100, abs=2e-5)
    assert PASCALS["inH2O"] / PASCALS["inH2O_4C"] - 1 == pytest.approx(0.00003, abs=5e-6)


@given(st.floats(-1e6, 1e6), st.sampled_from(PRESSURE_UNITS))
def test_there_and_back(value: float, unit: str) -> None:
    assert from_pa(to_pa(value, unit), unit) == pytest.approx(value, rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (12_345.6, 4, "12350"), (10_000, 4, "10000"), (1234.5, 2, "1200"), (249.08891, 4, "249.1"),
        (0.0012345, 3, "0.00123"), (-0.0, 4, "0"), (8_388_607, 10, "8388607"), (37.5, 4, "37.5"),
    ],
)  # fmt: skip
def test_numbers_in_words_have_no_power_of_ten(value: float, digits: int, text: str) -> None:
    """By hand; 8 388 607 is the last count of 24 bits with a sign."""
    assert in_digits(value, digits) == text
