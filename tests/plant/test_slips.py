"""Slips of a hand that knows the trade: a range turned round, a unit as people write it."""

from __future__ import annotations

import pytest

from .folders import SiteFolder
from .test_sitefile import faults, only


def test_a_swapped_range_is_told_beside_another_fault(folder: SiteFolder) -> None:
    folder.change(
        ("range = [-25, 100]", "range = [100, -25]"), ('signal = "4-20 mA"', 'signal = "4..20"')
    )
    signal, turned = (fault for fault in faults(folder) if "dp-201" in fault)
    assert signal.startswith('transducers.dp-201.signal: "4..20"; allowed: one of ')
    assert turned == (
        "transducers.dp-201.range: [100, -25]; allowed: lower range value below upper range value"
    )


@pytest.mark.parametrize(
    ("said", "meant"),
    [("pa", "Pa"), ("in. w.c.", "inH2O"), ("inh2o", "inH2O"), ("mm WC", "mmH2O"), ("KPA", "kPa")],
)
def test_a_unit_in_other_letters_is_recognised(folder: SiteFolder, said: str, meant: str) -> None:
    found = only(
        folder, ('range = [-25, 100]\nunit = "Pa"', f'range = [-25, 100]\nunit = "{said}"')
    )
    assert found.startswith(f'transducers.dp-201.unit: "{said}"; allowed: one of ')
    assert found.endswith(f'(did you mean "{meant}"?)')
