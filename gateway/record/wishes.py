"""Wishes of a person at this machine for the running gateway, left as files in its folder.

Whoever may write to the folder may ask: no password is needed, and nothing listens.
"""

from __future__ import annotations

from pathlib import Path

FOLDER = "relearn"


def ask_to_relearn(state_dir: Path, loop_id: str, reason: str) -> Path:
    """Ask the gateway that keeps its history in `state_dir` to unlearn a loop. OSError if not."""
    folder = state_dir / FOLDER
    folder.mkdir(exist_ok=True)
    part = folder / f".{loop_id}"
    part.write_text(reason, encoding="utf-8")
    return part.rename(folder / loop_id)


def take_relearn(state_dir: Path) -> list[tuple[str, str]]:
    """Loops to unlearn, each with the reason given; every wish is taken once."""
    folder = state_dir / FOLDER
    if not folder.is_dir():
        return []
    wishes = [file for file in sorted(folder.iterdir()) if not file.name.startswith(".")]
    found = [(file.name, file.read_text(encoding="utf-8").strip()) for file in wishes]
    for file in wishes:
        file.unlink()
    return found
