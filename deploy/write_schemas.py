"""Write config/*.schema.json and config/asyncapi.json anew from the code.

Run it after changing a noun of the plant, or an MQTT topic or message.
"""

from __future__ import annotations

from pathlib import Path

from gateway.plant.schema import schema_files
from gateway.publish import asyncapi

for name, text in (schema_files() | {asyncapi.FILE: asyncapi.text()}).items():
    file = Path(__file__).parent.parent / "config" / name
    file.write_text(text, encoding="utf-8")
    print(file.name)
