"""The commands `loopwitness backup` and `restore`: a copy of the history, and the way back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress

from gateway import logs, tables
from gateway.process import settings
from gateway.record import backup as copies
from gateway.record.opening import FILE
from gateway.views import iso

StateDir = Annotated[
    Path | None,
    typer.Option(
        "--history", metavar="STATE_DIR", help="A gateway's folder; else LOOPWITNESS_STATE_DIR."
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON for scripts.")]


def backup(
    target: Annotated[
        Path,
        typer.Argument(metavar="FOLDER_OR_FILE", help="A folder that is there, or a new file."),
    ],
    history: StateDir = None,
    as_json: Json = False,  # noqa: FBT002 - an option
) -> None:
    """Copy the history to a safe place, while the gateway runs or not.

    The copy is one file, of one instant, checked before it gets its name. Settings, site file and
    the token for actions are not in it.
    """
    folder = _folder(history)
    with _progress("Copying") as progress:
        done = copies.back_up(folder / FILE, target, progress)
    _tell(done, as_json=as_json)


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="What `backup` wrote.")],
    history: StateDir = None,
    as_json: Json = False,  # noqa: FBT002 - an option
) -> None:
    """Put a backup in the place of the history, while the gateway is stopped.

    The history that was there is kept beside it under another name.
    """
    with _progress("Restoring") as progress:
        done, aside = copies.restore(_folder(history), file, progress)
    _tell(done, aside, as_json=as_json)


def _folder(history: Path | None) -> Path:
    folder = history if history is not None else settings().state_dir
    logs.configure("text", "error")
    return folder


def _tell(done: copies.Copy, aside: str = "", *, as_json: bool) -> None:
    upto = None if done.upto is None else iso(done.upto)
    if as_json:
        data = {"file": str(done.file), "bytes": done.size, "last": upto, "kept": aside or None}
        tables.print_json(data)
        return
    rows = f"rows up to {upto}" if upto else "no rows"
    kept = f"; what was there is kept as {aside}" if aside else ""
    typer.echo(f"{done.file}: {done.size / 1e6:.1f} MB, {rows}{kept}")


@contextmanager
def _progress(what: str) -> Iterator[Callable[[float], None]]:
    """Shown on a terminal only. KeyboardInterrupt leaves nothing half done."""
    console = tables.console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda share: bar.update(task, completed=share)
