"""JSON Schema of the site file and of a register map, so that editors can help while typing.

Name it in the first line of a TOML file: `#:schema site.schema.json`. It says what one key may
hold; references between entries are checked by `crosscheck` only.
"""

from __future__ import annotations

import json
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from .controllers import RegisterMap
from .site import Site

DIALECT = "https://json-schema.org/draft/2020-12/schema"


class _Toml(GenerateJsonSchema):
    """TOML has no null: a key that may be left out is simply left out."""

    def field_title_should_be_set(self, schema: object) -> bool:
        # A key says as much as a title made from it.
        del schema
        return False

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        # The default of a table is told by its own keys; that of an optional key by its absence.
        if isinstance(schema.get("default"), str | int | float):
            return super().default_schema(schema)
        return self.generate_inner(schema["schema"])

    def dict_schema(self, schema: core_schema.DictSchema) -> JsonSchemaValue:
        made = super().dict_schema(schema)
        return made | {"additionalProperties": False} if "patternProperties" in made else made


def site_schema() -> dict[str, Any]:
    """JSON Schema of a site file; a TOML date counts as a string of format "date"."""
    return _schema(Site, "Loopwitness site file")


def register_map_schema() -> dict[str, Any]:
    """JSON Schema of a register map file."""
    return _schema(RegisterMap, "Loopwitness register map")


def schema_files() -> dict[str, str]:
    """The text of each schema file, by its name in the folder config."""
    return {
        "site.schema.json": _text(site_schema()),
        "register-map.schema.json": _text(register_map_schema()),
    }


def _schema(model: type[BaseModel], title: str) -> dict[str, Any]:
    made = model.model_json_schema(schema_generator=_Toml)
    return {"$schema": DIALECT, **made, "title": title}


def _text(schema: dict[str, Any]) -> str:
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
