"""The demo's people: four made-up names, one of each role, with new passwords at every start.

They exist on loopback alone, in the demo's own folder; a real gateway knows nothing of them.
"""

from __future__ import annotations

import secrets
from pathlib import Path

from gateway.errors import LoopwitnessError
from gateway.people import book
from gateway.people.book import People, Person
from gateway.people.passwords import Passwords
from gateway.people.roles import Role

NAMES = {
    "Victor Example": Role.VIEWER,
    "Olive Example": Role.OPERATOR,
    "Tess Example": Role.TECHNICIAN,
    "Ada Example": Role.ADMINISTRATOR,
}
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""Without those that are taken for one another."""


def password() -> str:
    """Sixteen random letters, 79 bits, in groups that can be typed."""
    return "-".join("".join(secrets.choice(LETTERS) for _ in range(4)) for _ in range(4))


def invited(folder: Path) -> list[tuple[str, Role, str]]:
    """Make them the people of a folder; name, role and password of each.

    StartError when the folder cannot be written.
    """
    made = [(name, role, password()) for name, role in NAMES.items()]
    hashing = Passwords()
    rows = tuple(
        Person(name=name, role=role, hash=hashing.hash(word), edition=book.edition())
        for name, role, word in made
    )
    book.change(folder, lambda _: People(people=rows))
    return made


def told(folder: Path, *, loopback: bool) -> list[str]:
    """Make them where only this machine can reach the pages; lines that say who they are."""
    if not loopback:
        return ["Nobody can sign in: the demo makes its people on 127.0.0.1 alone."]
    try:
        made = invited(folder)
    except LoopwitnessError as error:
        return [f"Nobody can sign in: {error}"]
    width = max(len(name) for name, _, _ in made)
    lines = [f"  {name:{width}}  {role:13}  {word}" for name, role, word in made]
    return ["Sign in as one of these made-up people (new passwords at every start):", *lines]
