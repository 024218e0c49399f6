"""Wishes for the running gateway, left as files in its folder.

Whoever at this machine may write to the folder may ask: no password is needed, and nothing
listens. The pages leave the wishes of people who have signed in there, too.
"""

from __future__ import annotations

from pathlib import Path

from .opening import FILE, reader

FOLDER = "relearn"


LOCAL = "local"
"""Who asks on the command line."""


def ask_to_relearn(state_dir: Path, loop_id: str, reason: str, person: str = LOCAL) -> Path:
    """Ask the gateway that keeps its history in `state_dir` to unlearn a loop. OSError if not."""
    folder = state_dir / FOLDER
    folder.mkdir(exist_ok=True)
    part = folder / f".{loop_id}"
    part.write_text(f"{' '.join(reason.split())}\n{person}", encoding="utf-8")
    return part.rename(folder / loop_id)


def known_loops(state_dir: Path) -> tuple[str, ...]:
    """Loops that the gateway of `state_dir` has recorded; none while it has recorded nothing.

    StoreError for a history that cannot be read.
    """
    if not (state_dir / FILE).is_file():
        return ()
    with reader(state_dir / FILE) as connection:
        names = connection.execute("SELECT name FROM series WHERE name LIKE 'loop/%'").fetchall()
    return tuple(dict.fromkeys(name.split("/")[1] for (name,) in names))


def take_relearn(state_dir: Path) -> list[tuple[str, str, str]]:
    """Loops to unlearn, each with the reason and the person; every wish is taken once."""
    folder = state_dir / FOLDER
    if not folder.is_dir():
        return []
    wishes = [file for file in sorted(folder.iterdir()) if not file.name.startswith(".")]
    # Anybody's editor may have written it: letters of another encoding must not end the gateway.
    found = [
        (file.name, *_said(file.read_text(encoding="utf-8", errors="replace"))) for file in wishes
    ]
    for file in wishes:
        file.unlink()
    return found


def _said(text: str) -> tuple[str, str]:
    reason, _, person = text.partition("\n")
    return reason.strip(), person.strip() or LOCAL
