"""Faults between entries: references, clashes, and what an input or a limit cannot do."""

from __future__ import annotations

import pytest

from gateway.errors import SiteFileError
from gateway.plant.sitefile import read_site
from tests.plant.folders import SiteFolder


def told(folder: SiteFolder, *changes: tuple[str, str]) -> list[str]:
    """The faults that changes to the valid file cause, a line each; none when it stays valid."""
    folder.change(*changes)
    try:
        read_site(folder.site)
    except SiteFileError as error:
        return [str(fault) for fault in error.faults]
    return []


UNITS = "Pa, hPa, kPa, mbar, bar, psi, inH2O, inH2O_4C, inH2O_60F, mmH2O, cmH2O, mmHg, inHg"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "sf-2.ai2_counts",
            "sf-2.ai2_count",
            (
                'transducers.dp-202.counts: "sf-2.ai2_count"; '
                'allowed: a point of sf-2 (did you mean "ai2_counts"?)'
            ),
        ),
        (
            "plc.ai1_value",
            "plcc.ai1_value",
            (
                'transducers.dp-301.controller_value: "plcc.ai1_value"; '
                'allowed: a point of a controller (did you mean "plc"?)'
            ),
        ),
        (
            '"dp-201", "dp-202"',
            '"dp-201", "dp-022"',
            'loops.stair-b.transducers: "dp-022"; allowed: a transducer (did you mean "dp-202"?)',
        ),
        (
            "sf-2.output",
            "sf-2.zz",
            (
                'loops.stair-b.output: "sf-2.zz"; allowed: a point of sf-2 (uptime, ai1_counts, '
                "ai2_counts, ai1_scaled, feedback, setpoint, output, running)"
            ),
        ),
        (
            "sf-2.ai2_counts",
            "sf-2.ai1_counts",
            (
                'transducers.dp-202.counts: "sf-2.ai1_counts"; '
                "allowed: a point of its own: transducers.dp-201.counts has it"
            ),
        ),
        (
            "sf-2.ai1_scaled",
            "plc.ai1_value",
            (
                'transducers.dp-301.controller_value: "plc.ai1_value"; '
                "allowed: a point of its own: transducers.dp-201.controller_value has it"
            ),
        ),
        (
            'heartbeat = "beat"',
            'heartbeat = "beats"',
            'controllers.plc.heartbeat: "beats"; allowed: a point of plc (did you mean "beat"?)',
        ),
        (
            "sf-2.feedback",
            "sf-2.running",
            (
                "loops.stair-b.feedback: sf-2.running is without a unit; "
                f"allowed: a point in a unit of pressure ({UNITS})"
            ),
        ),
        (
            "sf-2.setpoint",
            "sf-2.output",
            (
                "loops.stair-b.setpoint: sf-2.output is in Hz; "
                f"allowed: a point in a unit of pressure ({UNITS})"
            ),
        ),
        (
            "sf-2.ai1_scaled",
            "plc.beat",
            (
                "transducers.dp-201.controller_value: plc.beat is without a unit; "
                f"allowed: a point in a unit of pressure ({UNITS})"
            ),
        ),
        (
            'running = "sf-2.running"',
            'running = "sf-2.uptime"',
            (
                "loops.stair-b.running: sf-2.uptime is in s; "
                "allowed: a point without a unit: 1 running, 0 stopped"
            ),
        ),
        (
            "sf-2.ai2_counts",
            "sf-2.output",
            (
                "transducers.dp-202.counts: sf-2.output is in Hz; "
                "allowed: a point in counts, mA, V, % or without a unit: what the input reads"
            ),
        ),
        (
            "sf-2.ai2_counts",
            "sf-2.running",
            (
                "transducers.dp-202.counts: sf-2.running is bit 0 of a register; "
                "allowed: a point that holds a number"
            ),
        ),
        (
            'host = "plc.mill-lane"',
            'host = "127.0.0.1"\nport = 15020',
            (
                "controllers.plc.host: 127.0.0.1:15020 unit 1; "
                "allowed: an address of its own: sf-2 is polled there"
            ),
        ),
        (
            "[controllers.plc]",
            '[controllers.spare]\nhost = "10.0.0.9"\n[controllers.plc]',
            (
                "controllers.spare.points: none; "
                "allowed: at least one point, here or in a register_map"
            ),
        ),
        (
            "address = 5,",
            "address = 198, type = 'float64',",
            (
                "controllers.plc.points.ai1: input register(s) 198 to 201; "
                "allowed: none of reads.forbidden_input 100 to 199"
            ),
        ),
        (
            "max_registers = 20",
            "max_registers = 1",
            (
                "controllers.plc.points.ai1_value: a float32 fills 2 registers; "
                "allowed: reads.max_registers = 1 at once"
            ),
        ),
        (
            'electrical = [0, 10], unit = "V", shunt_ohm = 500',
            'electrical = [0, 5], unit = "V", shunt_ohm = 500',
            (
                "transducers.dp-202.input.electrical: [0, 5] V; "
                "allowed: both ends of 4-20 mA over 500 ohm, 2 to 10 V, or clamps = false"
            ),
        ),
        (
            "counts = [0, 4095], electrical = [0, 10]",
            "counts = [0, 4095], electrical = [5, 0]",
            (
                "transducers.dp-301.input.electrical: [5, 0] V; "
                "allowed: both ends of 0-10 V, 0 to 10 V, or clamps = false"
            ),
        ),
        (
            "short_above = 11.5",
            "open_below = 12.5",
            (
                "transducers.dp-301.bands.open_below: open_below 12.5 V is above short_above 12 V; "
                "allowed: rising limits: open_below <= failure_low <= measure_low <= measure_high "
                "<= failure_high <= short_above"
            ),
        ),
        (
            "output_range = [15, 60]",
            "output_range = [60, 15]",
            "loops.stair-b.output_range: [60, 15]; allowed: lower limit below upper limit",
        ),
        (
            'output = "sf-2.output"\n',
            "",
            "loops.stair-b.output_range: [15, 60]; allowed: only together with an output point",
        ),
        (
            "high = 60",
            "high = 101",
            (
                "loops.stair-b.limits.high: 101 Pa; "
                "allowed: -12.5 to 100 Pa, which its transducers can measure"
            ),
        ),
        (
            "limits = { low = 12.5",
            'unit = "kPa"\nlimits = { low = -0.02',
            (
                "loops.stair-b.limits.low: -0.02 kPa; "
                "allowed: -0.0125 to 0.1 kPa, which its transducers can measure"
            ),
        ),
    ],
)
def test_clash(folder: SiteFolder, old: str, new: str, said: str) -> None:
    found = told(folder, (old, new))
    assert said in found
    # 60 Pa is out of reach of a loop in kPa as well; everything else here is one fault.
    assert len(found) == (2 if "kPa" in new else 1)


@pytest.mark.parametrize(
    ("combine", "low", "high"),
    [  # from the ranges -25..100 and 0..100 Pa: by hand
        ("average", -12.5, 100),
        ("median", -12.5, 100),
        ("minimum", -25, 100),
        ("maximum", 0, 100),
        ("sum", -25, 200),
        ("difference", -125, 100),
    ],
)
def test_what_a_limit_may_be_follows_from_the_combination(
    folder: SiteFolder, combine: str, low: float, high: float
) -> None:
    limits = "low = 12.5, high = 60"
    folder.change(('"average"', f'"{combine}"'))
    assert told(folder, (limits, f"low = {low}, high = {high}")) == []
    beyond = f"low = {low - 0.01}, high = {high + 0.01}"
    assert len(told(folder, (f"low = {low}, high = {high}", beyond))) == 2


@pytest.mark.parametrize(
    "change",
    [
        ('host = "plc.mill-lane"', 'host = "127.0.0.1"\nport = 15020\nunit_id = 2'),
        (
            'electrical = [0, 10], unit = "V", shunt_ohm = 500',
            'electrical = [0, 10], unit = "V", shunt_ohm = 500.5',
        ),
        (
            'counts = [0, 4095], electrical = [0, 10], unit = "V"',
            'counts = [0, 4095], electrical = [0, 5], unit = "V", clamps = false',
        ),
        ("sf-2.ai1_scaled", "plc.ai1_value"),
    ],
    ids=[
        "another unit behind the same address",
        "a shunt that is not exact",
        "two points on a line, not the ends",
        "a value held by another controller",
    ],
)
def test_what_is_no_clash(folder: SiteFolder, change: tuple[str, str]) -> None:
    if change[1] == "plc.ai1_value":
        folder.change(('controller_value = "plc.ai1_value"\n', ""))
    assert told(folder, change) == []


def test_references_are_checked_in_and_to_entries_that_have_faults(folder: SiteFolder) -> None:
    found = told(
        folder,
        ('host = "127.0.0.1"', "host = 5"),
        ("range = [0, 0.1]", "range = [1, 0.1]"),
        ("sf-2.ai2_counts", "sf-2.ai2_count"),
    )
    assert [line.split(":")[0] for line in found] == [
        "controllers.sf-2.host", "transducers.dp-202.range", "transducers.dp-202.counts",
    ]  # fmt: skip


def test_nothing_is_concluded_from_a_section_that_is_no_table(folder: SiteFolder) -> None:
    text = folder.site.read_text()
    start, stop = text.index("[controllers.sf-2]"), text.index("[transducers.dp-201]")
    folder.site.write_text("controllers = 3\n" + text[:start] + text[stop:])
    assert len(told(folder)) == 1


def test_two_transducers_cannot_come_from_one_register(folder: SiteFolder) -> None:
    folder.change_map(("address = 11", "address = 10"))
    assert told(folder) == [
        (
            "transducers.dp-202.counts: sf-2.ai2_counts is input register 10; "
            "allowed: a register of its own: sf-2.ai1_counts is that one"
        )
    ]
