"""Whatever a site file says, it is either read or its faults are told: nothing else happens."""

from __future__ import annotations

import copy
import tomllib
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.errors import Fault, SiteFileError
from gateway.plant.site import Site
from gateway.plant.sitefile import read_site, site_from
from tests.plant.folders import MAP, SITE, SiteFolder

SCALARS = (
    st.booleans()
    | st.integers()
    | st.sampled_from([2**70, -(2**4000), 10**400, 65536, -1, 0])
    | st.floats()
    | st.text()
    | st.sampled_from(
        ["Pa", "sf-2.ai1_counts", "sf-2.", ".", "dp-201", "0-10 V", "maps/drive.toml"]
    )
    | st.dates()
    | st.just(datetime(2026, 1, 2, tzinfo=UTC))
    | st.just(date(2026, 1, 2))
    | st.just(time(1, 2))
)
WORDS = st.text() | st.sampled_from(
    [
        "points",
        "range",
        "input",
        "counts",
        "bit",
        "unit",
        "reads",
        "site",
        "loops",
        "host",
        "limits",
    ]
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(WORDS, inner, max_size=4),
    max_leaves=6,
)


def places(tables: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every key, and every index of a list, at any depth."""
    found = []
    pairs = tables.items() if isinstance(tables, dict) else enumerate(tables)
    for key, value in pairs:
        found.append((*at, key))
        if isinstance(value, dict | list):
            found += places(value, (*at, key))
    return found


TABLES = tomllib.loads(SITE)
MAP_TABLES = tomllib.loads(MAP)


@st.composite
def spoiled(draw: st.DrawFn, tables: dict[str, Any]) -> dict[str, Any]:
    """The tables with some values replaced, removed, renamed or added."""
    tables = copy.deepcopy(tables)
    for _ in range(draw(st.integers(1, 3))):
        *path, key = draw(st.sampled_from(places(tables) or [("site",)]))
        parent: Any = tables
        for part in path:
            parent = parent[part]
        action = draw(st.sampled_from(["replace", "remove", "rename", "add"]))
        if action == "replace" or isinstance(parent, list):
            parent[key] = draw(VALUES)
        elif action == "add":
            parent[draw(WORDS)] = draw(VALUES)
        else:
            value = parent.pop(key, None)
            if action == "rename":
                parent[draw(WORDS)] = value if value is not None else 0
    return tables


def outcome(tables: dict[str, Any], folder: Path) -> Site | tuple[Fault, ...]:
    try:
        return site_from(tables, "site.toml", folder)
    except SiteFileError as error:
        return error.faults


@settings(max_examples=40)
@given(spoiled(TABLES))
def test_spoiled_tables_are_read_or_faulted(tmp_path_factory: Any, tables: dict[str, Any]) -> None:
    folder = tmp_path_factory.getbasetemp() / "spoiled"
    (folder / "maps").mkdir(parents=True, exist_ok=True)
    (folder / "maps" / "drive.toml").write_text(MAP)
    found = outcome(tables, folder)
    if isinstance(found, Site):
        assert_consistent(found)
    else:
        assert_told(found)


def assert_told(faults: tuple[Fault, ...]) -> None:
    """At least one fault, each in one clean line."""
    assert faults
    for fault in faults:
        assert str(fault).isprintable()
        assert len(fault.value) < 300


def assert_consistent(site: Site) -> None:
    """A site that was let through: every reference leads somewhere."""
    for transducer in site.transducers.values():
        site.point(transducer.counts)
        if transducer.controller_value:
            assert site.point(transducer.controller_value).unit
    for key, loop in site.loops.items():
        site.loop_unit(key)
        assert set(loop.transducers) <= set(site.transducers)
        for ref in (loop.feedback, loop.setpoint, loop.output, loop.running):
            if ref:
                site.point(ref)
    for controller in site.controllers.values():
        assert controller.heartbeat is None or controller.heartbeat in controller.points


@settings(max_examples=40)
@given(st.data())
def test_spoiled_text_is_read_or_faulted(tmp_path_factory: Any, data: st.DataObject) -> None:
    folder = tmp_path_factory.mktemp("text")
    files = SiteFolder(folder)
    target = data.draw(st.sampled_from([files.site, files.map]))
    text = target.read_text()
    start = data.draw(st.integers(0, len(text)))
    stop = data.draw(st.integers(start, min(len(text), start + 40)))
    new = data.draw(
        st.text(max_size=5) | st.sampled_from(["=", "[", '"', "\n", "1e999", "{}", "0"])
    )
    target.write_text(text[:start] + new + text[stop:], encoding="utf-8", errors="replace")
    try:
        site = read_site(files.site)
    except SiteFileError as error:
        assert_told(error.faults)
    else:
        assert_consistent(site)
