"""Instance numbers of the analog inputs: the same for ever, and never given to another.

A front end remembers an object by its number. So a number stays with its name through restarts
and edits of the site file, also while the name is not in the file.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from gateway.errors import StartError

FILE = "bacnet-objects.json"
HIGHEST = 4_194_302
"""Highest instance number: 22 bits, the highest of which means "none"."""

Instance = Annotated[int, Field(ge=1, le=HIGHEST)]


class Numbers(BaseModel):
    """Number by name, whether the name is in the site file now, and the revision of the whole.

    The revision goes up with every change of what is present (Database_Revision).
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    revision: int = Field(default=0, ge=0)
    present: tuple[str, ...] = ()
    instances: dict[str, Instance] = {}


def numbered(before: Numbers, names: Sequence[str]) -> Numbers:
    """The numbers after the site file has come to hold `names`; new names get new numbers."""
    instances = dict(before.instances)
    following = max(instances.values(), default=0) + 1
    for name in names:
        if name not in instances:
            instances[name] = following
            following += 1
    changed = set(before.present) != set(names)
    return Numbers(revision=before.revision + changed, present=tuple(names), instances=instances)


def remembered(folder: Path, names: Sequence[str]) -> Numbers:
    """The numbers of `names`, kept in `folder`; StartError when they cannot be read or kept.

    A file that cannot be read is never replaced: new numbers would mix up every front end.
    """
    file = folder / FILE
    before = _read(file)
    after = numbered(before, names)
    if after != before:
        _write(file, after)
    return after


def _read(file: Path) -> Numbers:
    try:
        numbers = Numbers.model_validate_json(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return Numbers()
    except (OSError, ValueError, ValidationError) as error:
        what = "not as this program writes it" if isinstance(error, ValueError) else str(error)
        raise StartError(
            f"{file}: {what}; put a copy of it back, or remove it (BACnet objects then get new "
            "numbers)"
        ) from error
    if len(set(numbers.instances.values())) < len(numbers.instances):
        raise StartError(f"{file}: one number for two names; put a copy of it back")
    return numbers


def _write(file: Path, numbers: Numbers) -> None:
    beside = file.with_suffix(".new")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with beside.open("w", encoding="utf-8") as out:
            out.write(numbers.model_dump_json(indent=1) + "\n")
            out.flush()
            os.fsync(out.fileno())
        beside.replace(file)
    except OSError as error:
        raise StartError(f"{file}: cannot be written: {error}") from error
