"""The example site file and its invented register maps."""

from __future__ import annotations

import tomllib
from math import inf

import pytest

from gateway.demo.control import demo_site_path
from gateway.plant.site import Site
from gateway.poll.plan import plan


def test_every_map_says_that_it_is_invented() -> None:
    maps = sorted((demo_site_path().parent / "maps").glob("*.toml"))
    assert len(maps) == 3
    for path in maps:
        text = tomllib.loads(path.read_text(encoding="utf-8"))
        assert "Invented for the demonstration plant" in text["note"], path.name
        assert text["heartbeat"] in text["points"]


def test_maps_exercise_the_whole_decoder(archive: Site) -> None:
    points = [p for noun in archive.controllers.values() for p in noun.points.values()]
    types = {point.type for point in points}
    assert types == {"int16", "uint16", "int32", "uint32", "float32", "float64"}
    orders = {(p.word_order, p.byte_order) for p in points if p.type == "float32"}
    assert len(orders) == 4
    assert {point.table for point in points} == {"input", "holding"}
    assert any(point.offset for point in points)
    assert any(point.bit == 0 for point in points)
    assert any(point.bit is not None and point.byte_order == "low-first" for point in points)
    assert any(point.invalid for point in points)


def test_controllers_can_be_read_by_plan(archive: Site) -> None:
    for controller in archive.controllers.values():
        covered = [place.name for request in plan(controller) for place in request.points]
        assert sorted(covered) == sorted(controller.points)


def test_door_opens_within_its_force_at_the_upper_limit(archive: Site) -> None:
    # NYC Building Code 909.6.2: F = Fdc + Kd W A dP / (2 (W - d)), Kd 1 in SI units.
    loop = archive.loops["stair-b"]
    door = loop.door
    assert door is not None
    area = door.width_m * door.height_m
    lever = door.width_m * area / (2 * (door.width_m - door.knob_m))
    assert door.closer_N + lever * (loop.limits.high or inf) < door.force_limit_N
    # And the limit is not needlessly low: at 0.35 inH2O (87 Pa) the door is about at its force.
    assert door.closer_N + lever * 87.18 == pytest.approx(door.force_limit_N, rel=0.02)


def test_transducers_say_where_they_are(archive: Site) -> None:
    for noun in archive.transducers.values():
        assert noun.location
        assert noun.ports
        assert noun.elevation_m is not None
        assert noun.calibrated is not None
        assert noun.calibrated.year == 2026
        assert noun.controller_value
