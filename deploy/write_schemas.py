"""Write config/*.schema.json anew from the nouns of the plant; run it after changing one."""

from __future__ import annotations

from pathlib import Path

from gateway.plant.schema import schema_files

for name, text in schema_files().items():
    file = Path(__file__).parent.parent / "config" / name
    file.write_text(text, encoding="utf-8")
    print(file.name)
