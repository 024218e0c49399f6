"""The schema files for editors: what the code makes, and at one with the parser."""

from __future__ import annotations

import json
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from gateway.plant.schema import register_map_schema, schema_files, site_schema
from tests.plant.folders import MAP, SITE

CONFIG = Path(__file__).parents[2] / "config"
SITES = sorted(CONFIG.glob("*.toml"))
MAPS = sorted(CONFIG.glob("maps/*.toml"))


def as_json(text: str) -> Any:
    """TOML as JSON sees it: dates are text."""
    return json.loads(json.dumps(tomllib.loads(text), default=date.isoformat))


def validator(schema: dict[str, Any]) -> jsonschema.Draft202012Validator:
    draft = jsonschema.Draft202012Validator
    draft.check_schema(schema)
    return draft(schema, format_checker=draft.FORMAT_CHECKER)


SITE_FILE, MAP_FILE = validator(site_schema()), validator(register_map_schema())


@pytest.mark.parametrize("name", list(schema_files()))
def test_files_on_disk_are_what_the_code_makes(name: str) -> None:
    text = schema_files()[name]
    assert (CONFIG / name).read_text(encoding="utf-8") == text, "run deploy/write_schemas.py"


def test_there_are_examples() -> None:
    assert SITES
    assert MAPS


@pytest.mark.parametrize("file", SITES, ids=lambda file: file.name)
def test_shipped_sites_fit(file: Path) -> None:
    SITE_FILE.validate(as_json(file.read_text()))


@pytest.mark.parametrize("file", MAPS, ids=lambda file: file.name)
def test_shipped_maps_fit(file: Path) -> None:
    MAP_FILE.validate(as_json(file.read_text()))


def test_valid_files_fit() -> None:
    SITE_FILE.validate(as_json(SITE))
    MAP_FILE.validate(as_json(MAP))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("port = 15020", 'port = "15020"'),
        ("port = 15020", "port = 0"),
        ("clamps = true", "clamp = true"),
        ('"4-20 mA"', '"4-20mA"'),
        ('unit = "Pa"\ncalibrated', 'unit = "pascal"\ncalibrated'),
        ("range = [-25, 100]", "range = [-25]"),
        ("calibrated = 2026-03-02", 'calibrated = "spring"'),
        ("[loops.stair-b]", "[loops.Stair]"),
        ('"average"', '"mean"'),
        ("sf-2.feedback", "feedback"),
        ("[site]", "colour = 1\n[site]"),
        ('id = "mill-lane"', ""),
    ],
)
def test_what_the_parser_refuses_the_schema_refuses(old: str, new: str) -> None:
    assert old in SITE
    with pytest.raises(jsonschema.ValidationError):
        SITE_FILE.validate(as_json(SITE.replace(old, new, 1)))


def test_a_key_that_may_be_left_out_is_not_null() -> None:
    assert '"null"' not in "".join(schema_files().values())
