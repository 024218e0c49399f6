"""The commands `loopwitness backup` and `restore`: a copy of what is kept, and the way back."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress

from gateway import logs, tables
from gateway.errors import StartError
from gateway.people import book
from gateway.people.book import People, account
from gateway.process import settings
from gateway.record import backup as copies
from gateway.record.opening import FILE
from gateway.views import iso

StateDir = Annotated[
    Path | None,
    typer.Option(
        "--state", metavar="STATE_DIR", help="A gateway's folder; else LOOPWITNESS_STATE_DIR."
    ),
]
OfBackup = Annotated[
    bool, typer.Option("--people", help="Also the people of the backup, for those of today.")
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON for scripts.")]


def backup(
    target: Annotated[
        Path,
        typer.Argument(metavar="FOLDER_OR_FILE", help="A folder that is there, or a new file."),
    ],
    state: StateDir = None,
    as_json: Json = False,  # noqa: FBT002 - an option
) -> None:
    """Copy history and people to a safe place, while the gateway runs or not.

    The copy is one file, of one instant, checked before it gets its name. With people in it (names,
    roles, password hashes) it is for its owner alone. Settings, site file and the local token are
    not in it.
    """
    folder = _folder(state)
    with _progress("Copying") as progress:
        done = copies.back_up(folder / FILE, target, progress, _people(folder))
    _tell(done, as_json=as_json)


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="What `backup` wrote.")],
    state: StateDir = None,
    people: OfBackup = False,  # noqa: FBT002 - an option
    as_json: Json = False,  # noqa: FBT002 - an option
) -> None:
    """Put a backup in the place of the history, while the gateway is stopped.

    The history that was there is kept beside it under another name. People stay as they are today,
    so that nobody who was removed since can sign in again; where there are none, or with --people,
    those of the backup come back.
    """
    folder = _folder(state)
    with _progress("Restoring") as progress:
        done, aside = copies.restore(folder, file, progress)
    back = _people_back(folder, file, wanted=people)
    _tell(done, aside, back, as_json=as_json)


def _people(folder: Path) -> dict[str, str]:
    """The file of people by its name; a damaged one keeps no history from being copied."""
    try:
        people = book.read(folder)
    except StartError as error:
        typer.echo(f"loopwitness: the people are not in the copy: {error}", err=True)
        return {}
    return {book.FILE: people.model_dump_json()} if people.people else {}


def _people_back(folder: Path, file: Path, *, wanted: bool) -> int:
    """How many came back."""
    text = copies.beside_of(file).get(book.FILE)
    if text is None:
        return 0
    kept = book.parsed(text, f"{file}: {book.FILE}")
    if book.read(folder).people and not wanted:
        return 0
    # Another edition: nobody who is signed in goes on as somebody of the past.
    rows = tuple(one.model_copy(update={"edition": book.edition()}) for one in kept.people)
    now, by = time.time(), account()

    def work(today: People) -> People:
        made = today.model_copy(update={"people": rows})
        for one in rows:
            made = made.told("restored", one, now, by)
        return made

    book.change(folder, work)
    return len(rows)


def _folder(state: Path | None) -> Path:
    folder = state if state is not None else settings().state_dir
    logs.configure("text", "error")
    return folder


def _tell(done: copies.Copy, aside: str = "", people: int = 0, *, as_json: bool) -> None:
    upto = None if done.upto is None else iso(done.upto)
    if as_json:
        data = {"file": str(done.file), "bytes": done.size, "last": upto, "kept": aside or None,
                "people": people}  # fmt: skip
        tables.print_json(data)
        return
    rows = f"rows up to {upto}" if upto else "no rows"
    kept = f"; what was there is kept as {aside}" if aside else ""
    back = f"; {people} people can sign in again" if people else ""
    typer.echo(f"{done.file}: {done.size / 1e6:.1f} MB, {rows}{kept}{back}")


@contextmanager
def _progress(what: str) -> Iterator[Callable[[float], None]]:
    """Shown on a terminal only. KeyboardInterrupt leaves nothing half done."""
    console = tables.console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda share: bar.update(task, completed=share)
