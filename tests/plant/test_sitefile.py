"""Reading the site file: what is right is read, and every fault is told at once."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from gateway.errors import SiteFileError
from gateway.plant.controllers import Reads
from gateway.plant.sitefile import read_site
from tests.plant.folders import SiteFolder

EXAMPLE = Path(__file__).parents[2] / "config" / "harbour-archive.toml"


HOST = "a host name or an address, without scheme, brackets or port"


def faults(folder: SiteFolder) -> list[str]:
    """The faults of the folder's site file, a line each."""
    with pytest.raises(SiteFileError) as caught:
        read_site(folder.site)
    assert all("\n" not in str(fault) for fault in caught.value.faults)
    return [str(fault) for fault in caught.value.faults]


def only(folder: SiteFolder, *changes: tuple[str, str]) -> str:
    """The one fault that changes to the valid file cause."""
    folder.change(*changes)
    found = faults(folder)
    assert len(found) == 1, found
    return found[0]


def test_a_valid_site_is_read(folder: SiteFolder) -> None:
    site = read_site(folder.site)
    assert list(site.controllers) == ["sf-2", "plc"]
    assert list(site.transducers) == ["dp-201", "dp-202", "dp-301"]
    assert site.transducers["dp-201"].calibrated == date(2026, 3, 2)
    assert site.loops["stair-b"].transducers == ("dp-201", "dp-202")


def test_the_example_site_is_valid() -> None:
    assert read_site(EXAMPLE).site.id == "harbour-archive"


def test_a_map_and_points_in_place_are_merged(folder: SiteFolder) -> None:
    drive = read_site(folder.site).controllers["sf-2"]
    assert list(drive.points) == [
        "uptime", "ai1_counts", "ai2_counts", "ai1_scaled", "feedback", "setpoint", "output",
        "running",
    ]  # fmt: skip
    assert drive.points["setpoint"].address == 46, "the one in place wins over the map's 99"
    assert drive.heartbeat == "uptime"
    assert drive.reads == Reads(max_registers=60)


def test_a_controllers_own_reads_and_heartbeat_win_over_the_map(folder: SiteFolder) -> None:
    folder.change(
        ("port = 15020", 'port = 15020\nreads = { max_gap = 3 }\nheartbeat = "running"'),
    )
    drive = read_site(folder.site).controllers["sf-2"]
    assert drive.heartbeat == "running"
    assert drive.reads == Reads(max_gap=3), "whole, not mixed with the map's"


def test_every_fault_of_every_entry_is_told_at_once(folder: SiteFolder) -> None:
    folder.change(
        ('"Europe/Dublin"', '"Europe/Dubln"'),
        ('host = "127.0.0.1"', 'hst = "127.0.0.1"'),
        ("clamps = true", "clamp = true"),
        ("[-25, 100]", "[100, -25]"),
        ("sf-2.ai2_counts", "sf-2.ai2_count"),
        ('unit = "inH2O"', 'unit = "inch"'),
        ('"average"', '"avrage"'),
        ("sf-2.feedback", "sf-3.feedback"),
        ('"dp-201", "dp-202"', '"dp-201", "dp-2020"'),
        ("force_limit_N = 133", 'force_limit_N = "133"'),
    )
    assert sorted(line.split(";")[0] for line in faults(folder)) == [
        "controllers.sf-2.host: not there",
        'controllers.sf-2.hst: "127.0.0.1"',
        'loops.stair-b.combine: "avrage"',
        'loops.stair-b.door.force_limit_N: "133"',
        'loops.stair-b.feedback: "sf-3.feedback"',
        'loops.stair-b.transducers: "dp-2020"',
        'site.timezone: "Europe/Dubln"',
        "transducers.dp-201.input.clamp: true",
        "transducers.dp-201.range: [100, -25]",
        'transducers.dp-202.counts: "sf-2.ai2_count"',
        'transducers.dp-301.unit: "inch"',
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            'combine = "average"',
            'combine = "mean"',
            (
                "loops.stair-b.combine: \"mean\"; allowed: 'average', 'minimum', 'maximum', "
                "'median', 'sum', 'difference' or 'single' (did you mean \"average\"?)"
            ),
        ),
        (
            "port = 15020",
            'port = "15020"',
            'controllers.sf-2.port: "15020"; allowed: a whole number from 1 to 65535',
        ),
        (
            "port = 15020",
            "port = 70000",
            "controllers.sf-2.port: 70000; allowed: a whole number from 1 to 65535",
        ),
        (
            "port = 15020",
            "prt = 15020",
            'controllers.sf-2.prt: 15020; allowed: a key known here (did you mean "port"?)',
        ),
        (
            'host = "127.0.0.1"',
            'host = ""',
            'controllers.sf-2.host: ""; allowed: text of at least 1 character(s)',
        ),
        (
            'host = "127.0.0.1"',
            'host = "sf-2:502"',
            f'controllers.sf-2.host: "sf-2:502"; allowed: {HOST}',
        ),
        (
            'host = "127.0.0.1"',
            'host = "192.168.1.300"',
            f'controllers.sf-2.host: "192.168.1.300"; allowed: {HOST}',
        ),
        (
            'host = "127.0.0.1"',
            "host = 127",
            "controllers.sf-2.host: 127; allowed: text in quotation marks",
        ),
        (
            "address = 46",
            "address = 46.5",
            (
                "controllers.sf-2.points.setpoint.address: 46.5; "
                "allowed: a whole number from 0 to 65535"
            ),
        ),
        (
            'table = "holding", address = 1',
            'table = "holdings", address = 1',
            (
                'controllers.sf-2.points.running.table: "holdings"; '
                "allowed: 'input' or 'holding' (did you mean \"holding\"?)"
            ),
        ),
        (
            "bit = 0",
            'bit = 0, type = "int16"',
            (
                "controllers.sf-2.points.running.bit: 0 of a int16; "
                "allowed: a bit is taken from a uint16 only"
            ),
        ),
        (
            "scale = 0.1",
            "scale = nan",
            (
                "controllers.sf-2.points.setpoint.scale: nan; "
                "allowed: a number, neither infinite nor NaN"
            ),
        ),
        (
            "running = {",
            "Other = { table = 'input', address = 3 }\nrunning = {",
            (
                'controllers.sf-2.points.Other: "Other"; '
                "allowed: up to 63 of a-z, 0-9 and _, starting with a letter"
            ),
        ),
        (
            "[[100, 199]]",
            "[[199, 100]]",
            "controllers.plc.reads: range [199, 100]; allowed: 0 <= first <= last <= 65535",
        ),
        (
            "[[100, 199]]",
            "[[100]]",
            "controllers.plc.reads.forbidden_input[0]: [100]; allowed: a list of 2 numbers",
        ),
        (
            "range = [-25, 100]",
            "range = [100, -25]",
            (
                "transducers.dp-201.range: [100, -25]; "
                "allowed: lower range value below upper range value"
            ),
        ),
        (
            "range = [-25, 100]",
            "range = [1, 2, 3]",
            "transducers.dp-201.range: [1, 2, 3]; allowed: a list of 2 numbers",
        ),
        (
            "range = [-25, 100]\n",
            "",
            (
                "transducers.dp-201.range: not there; allowed: it must be given: "
                "Lower and upper range value (LRV, URV) in `unit`, from its nameplate"
            ),
        ),
        (
            "calibrated = 2026-03-02",
            'calibrated = "2026-03-02"',
            (
                'transducers.dp-201.calibrated: "2026-03-02"; '
                "allowed: a date without quotation marks, such as 2026-03-02"
            ),
        ),
        (
            "calibrated = 2026-03-02",
            "calibrated = 2026-03-02T10:00:00",
            (
                "transducers.dp-201.calibrated: 2026-03-02 10:00:00; "
                "allowed: a date without quotation marks, such as 2026-03-02"
            ),
        ),
        (
            "clamps = true",
            'clamps = "yes"',
            'transducers.dp-201.input.clamps: "yes"; allowed: true or false',
        ),
        (
            "counts = [0, 32000]",
            "counts = 32000",
            "transducers.dp-201.input.counts: 32000; allowed: a list of 2 numbers",
        ),
        (
            'signal = "0-10 V"',
            'signal = "0-10V"',
            (
                "transducers.dp-301.signal: \"0-10V\"; allowed: one of '4-20 mA', '0-20 mA', "
                "'0-10 V', '2-10 V', '0-5 V', '1-5 V', '+/-10 V', '+/-5 V' "
                '(did you mean "0-10 V"?)'
            ),
        ),
        (
            'transducers = ["dp-201", "dp-202"]',
            "transducers = []",
            "loops.stair-b.transducers: []; allowed: a list with at least one entry",
        ),
        (
            "low = 12.5, high = 60",
            "low = 60, high = 12.5",
            "loops.stair-b.limits.low: 60 and high 12.5; allowed: low below high",
        ),
        (
            'combine = "average"',
            'combine = "single"',
            'loops.stair-b.combine: "single" with 2 transducers; allowed: exactly 1',
        ),
        ("door = {", "door = 5 # {", "loops.stair-b.door: 5; allowed: a table"),
        (
            "[loops.stair-b]",
            "[loops.Stair]",
            (
                'loops.Stair: "Stair"; '
                "allowed: a name of up to 63 of a-z, 0-9 and -, not starting with -"
            ),
        ),
        (
            'id = "mill-lane"',
            'id = "Mill Lane"',
            'site.id: "Mill Lane"; allowed: up to 63 of a-z, 0-9 and -, not starting with -',
        ),
        (
            "[site]",
            "colour = 3\n[site]",
            "colour: 3; allowed: a table known here (site, controllers, transducers, loops)",
        ),
    ],
)
def test_a_fault_names_place_value_and_what_is_allowed(
    folder: SiteFolder, old: str, new: str, said: str
) -> None:
    assert only(folder, (old, new)) == said


@pytest.mark.parametrize("name", ["Europe", "", "../etc/passwd", "Moon/Base", "a" * 5000])
def test_a_time_zone_that_is_none(folder: SiteFolder, name: str) -> None:
    found = only(folder, ('"Europe/Dublin"', f'"{name}"'))
    assert found.startswith("site.timezone: ")
    assert "allowed: a name of the IANA list (" in found


def test_without_a_site_table(folder: SiteFolder) -> None:
    folder.site.write_text("controllers = 5\n")
    assert faults(folder) == [
        "site: not there; allowed: a table [site] with an id",
        "controllers: 5; allowed: a table: [controllers.name] for each of them",
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[site]\nid = mill\n", 'line 2, column 6 of {file}: "id = mill"; allowed: TOML (invalid'),
        ("[site]\nid = 3\n[]", 'line 3, column 2 of {file}: "[]"; allowed: TOML (invalid'),
        ("[site]\nid = 'mill", 'line 2, column 11 of {file}: "id = \'mill"; allowed: TOML (exp'),
        ("[site]\nid = '" + "m" * 200, "line 2, column 207 of {file}: \"id = 'mmmm"),
        ("x = " + "9" * 5000, "{file}: "),
        ("x = " + "[" * 5000, "file: tables inside tables"),
    ],
)
def test_no_toml_names_line_and_column(folder: SiteFolder, text: str, said: str) -> None:
    folder.site.write_text(text)
    (found,) = faults(folder)
    assert found.startswith(said.format(file=folder.site))
    assert len(found) < 300


def test_a_file_that_cannot_be_read(folder: SiteFolder) -> None:
    folder.site.write_bytes(b"\xff\xfe")
    assert faults(folder) == [f"{folder.site}: not UTF-8 text; allowed: a readable TOML file"]
    folder.site.unlink()
    (found,) = faults(folder)
    assert found == f"{folder.site}: No such file or directory; allowed: a readable TOML file"
    folder.site.mkdir()
    assert "directory" in faults(folder)[0]


def test_a_mark_at_the_beginning_is_no_fault(folder: SiteFolder) -> None:
    """As some editors write it before UTF-8."""
    folder.site.write_bytes(b"\xef\xbb\xbf" + folder.site.read_bytes())
    assert list(read_site(folder.site).controllers) == ["sf-2", "plc"]


def test_a_file_without_end_is_not_read_for_ever(folder: SiteFolder) -> None:
    folder.site.unlink()
    folder.site.symlink_to("/dev/zero")
    assert faults(folder) == [f"{folder.site}: endless bytes; allowed: up to 4000000 bytes"]


def test_a_missing_map_is_one_fault_and_hides_no_other(folder: SiteFolder) -> None:
    folder.map.unlink()
    folder.change(("plc.ai1_value", "plc.ai1_valu"))
    missing, other = faults(folder)
    where = f"controllers.sf-2.register_map, {folder.map}"
    assert missing == f"{where}: No such file or directory; allowed: a readable TOML file"
    assert other.startswith("transducers.dp-301.controller_value")


def test_faults_of_a_map_name_the_map_and_come_once(folder: SiteFolder) -> None:
    folder.change_map(("address = 11", "address = -11"), ('"Hz"', '"herz"'))
    folder.change(("[controllers.plc]", '[controllers.plc]\nregister_map = "maps/drive.toml"'))
    first, second = faults(folder)
    assert first == (
        "controllers.sf-2.register_map, maps/drive.toml: points.ai2_counts.address: -11; "
        "allowed: a whole number from 0 to 65535"
    )
    assert second.startswith(
        'controllers.sf-2.register_map, maps/drive.toml: points.output.unit: "herz"; allowed: one'
    )


def test_syntax_errors_of_a_map_have_line_and_column(folder: SiteFolder) -> None:
    folder.map.write_text("[points]\nuptime = ")
    (found,) = faults(folder)
    assert found.startswith(f"controllers.sf-2.register_map, line 2, column 10 of {folder.map}")


def test_a_fault_that_follows_from_another_is_not_told_twice(folder: SiteFolder) -> None:
    # Without its shunt the input could not read milliamps; but the shunt is only mistyped.
    found = only(folder, ("shunt_ohm = 500", "shunt_ohms = 500"))
    assert found.startswith("transducers.dp-202.input.shunt_ohms: 500; allowed: a key known here")
