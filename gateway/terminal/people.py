"""The commands `loopwitness user ...`: who may sign in, and as what.

Passwords are typed on the terminal or come on standard input, never on the command line, where
other programs of the machine could read them.
"""

from __future__ import annotations

import getpass
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from gateway import logs, tables
from gateway.errors import Fault, LoopwitnessError
from gateway.people import book, passwords
from gateway.people.book import People, Person
from gateway.people.names import name as a_name
from gateway.people.roles import Role, deeds_of
from gateway.process import settings
from gateway.record.opening import FILE

Name = Annotated[str, typer.Argument(metavar="NAME", help="As it stands in the journal.")]
Folder = Annotated[
    Path | None,
    typer.Option(
        "--state", metavar="STATE_DIR", help="A gateway's folder; else LOOPWITNESS_STATE_DIR."
    ),
]


class PeopleError(LoopwitnessError):
    """Words on the command line that do not fit the people there are."""

    exit_code = 2


def _a_role(words: str) -> Role:
    try:
        return Role(words)
    except ValueError:
        raise PeopleError(str(Fault("ROLE", repr(words), ", ".join(Role)))) from None


Wanted = Annotated[
    Role,
    typer.Option(
        "--role",
        metavar="ROLE",
        parser=_a_role,
        help="viewer, operator, technician or administrator.",
    ),
]

user = typer.Typer(
    help="Who may sign in, and as what: a viewer looks, an operator acknowledges and shelves, a "
    "technician also takes out of service, checks loops and lets them be learnt anew, an "
    "administrator also signs others out. Takes effect at once, also on a running gateway.",
    no_args_is_help=True,
)


@user.command()
def add(name: Name, role: Wanted, state: Folder = None) -> None:
    """Let somebody sign in. The password is asked for, or read from standard input."""
    folder = _folder(state)
    try:
        known = a_name(name)
    except ValueError as error:
        raise PeopleError(str(Fault("NAME", repr(name), str(error)))) from None
    if book.read(folder).of(known):
        raise _there_already(known)
    kept = passwords.Passwords().hash(_password(known))
    person = Person(name=known, role=role, hash=kept, edition=book.edition())

    def work(people: People) -> People:
        if people.of(known):  # somebody else was quicker
            raise _there_already(known)
        return people.with_person(person).told("added", person, time.time(), book.account())

    book.change(folder, work)
    typer.echo(f"{known}: {role}")
    if not (folder / FILE).is_file():
        typer.echo(
            f"No gateway has kept its history in {folder.absolute()} yet. One that keeps it "
            "elsewhere does not know this person: name its folder with --state or "
            "LOOPWITNESS_STATE_DIR.",
            err=True,
        )


@user.command("list")
def list_(
    state: Folder = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON for scripts.")] = False,  # noqa: FBT002 - an option
) -> None:
    """Everybody with their role."""
    people = book.read(_folder(state)).people
    if as_json:
        tables.print_json({"people": [{"name": one.name, "role": one.role} for one in people]})
        return
    rows = [(one.name, one.role, ", ".join(deeds_of(one.role)) or "looks") for one in people]
    tables.console().print(tables.plain_table("People", ("name", "role", "may"), rows))
    if not people:
        typer.echo(
            f"Nobody can sign in yet where {_folder(state).absolute()} is the state folder: "
            "loopwitness user add NAME --role operator"
        )


@user.command()
def role(
    name: Name,
    wanted: Annotated[Role, typer.Argument(metavar="ROLE", parser=_a_role, help=", ".join(Role))],
    state: Folder = None,
) -> None:
    """Give somebody another role; ends where they are signed in."""
    changed = _change(state, name, "role", lambda one: one.model_copy(update={"role": wanted}))
    typer.echo(f"{changed.name}: {changed.role}")


@user.command()
def password(name: Name, state: Folder = None) -> None:
    """Give somebody another password; ends where they are signed in."""
    known = _known(book.read(_folder(state)), name)
    kept = passwords.Passwords().hash(_password(known.name))
    changed = _change(state, name, "password", lambda one: one.model_copy(update={"hash": kept}))
    typer.echo(f"{changed.name}: another password")


@user.command()
def remove(name: Name, state: Folder = None) -> None:
    """Let somebody sign in no more; ends where they are signed in. The journal keeps the name."""

    def work(people: People) -> People:
        gone = _known(people, name)
        return people.without(gone.name).told("removed", gone, time.time(), book.account())

    book.change(_folder(state), work)
    typer.echo(f"{name}: removed")


def _change(state: Path | None, name: str, what: str, to: Callable[[Person], Person]) -> Person:
    def work(people: People) -> People:
        person = to(_known(people, name)).model_copy(update={"edition": book.edition()})
        return people.with_person(person).told(what, person, time.time(), book.account())

    return _known(book.change(_folder(state), work), name)


def _known(people: People, name: str) -> Person:
    found = people.of(name)
    if found is None:
        allowed = ", ".join(one.name for one in people.people) or "nobody: add somebody first"
        raise PeopleError(str(Fault("NAME", f"{name!r} is not known", allowed)))
    return found


def _there_already(name: str) -> PeopleError:
    allowed = "another name; `loopwitness user role` and `password` change this one"
    return PeopleError(str(Fault("NAME", f"{name!r} is there already", allowed)))


def _password(name: str) -> str:
    """Typed twice on a terminal; else the first line of standard input."""
    if on_a_terminal():
        typed = getpass.getpass(f"Password for {name} (at least {passwords.LEAST} characters): ")
        if typed != getpass.getpass("The same again: "):
            raise PeopleError(str(Fault("password", "typed differently", "the same twice")))
    else:
        typed = sys.stdin.readline().rstrip("\r\n")
    try:
        return passwords.checked(typed, name)
    except ValueError as error:
        raise PeopleError(f"password: {error}") from None


def on_a_terminal() -> bool:
    """Whether somebody types."""
    return sys.stdin.isatty()


def _folder(state: Path | None) -> Path:
    folder = state if state is not None else settings().state_dir
    logs.configure("text", "error")
    return folder
