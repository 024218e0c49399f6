"""The file of people in the state folder: read by the gateway, written by the command line alone.

It is apart from the history, so that a damaged history takes nobody's password with it, and is
replaced as a whole, so that no reader meets half of it. Changes are kept with it, until the
gateway has put them into its journal.
"""

from __future__ import annotations

import fcntl
import getpass
import os
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import structlog
from pydantic import BaseModel, ConfigDict, ValidationError

from gateway.errors import DISK_ERRNOS, DiskError, StartError

from .names import same
from .roles import Role

FILE = "people.json"
LOCK = "people.lock"
CHANGES = 1000
"""Changes that are kept in the file."""
OWNERS_ALONE = 0o600

log = structlog.get_logger(__name__)


class Person(BaseModel):
    """One of them. edition: another one after each change, so that sessions of before end."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    role: Role
    hash: str
    edition: str


class Change(BaseModel):
    """What was done on the command line. by: the account on the machine."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: str
    time: float
    what: str
    name: str
    role: str = ""
    by: str = ""


class People(BaseModel):
    """Everybody, and the latest changes, oldest first."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    version: int = 1
    people: tuple[Person, ...] = ()
    changes: tuple[Change, ...] = ()

    def of(self, name: str) -> Person | None:
        """The person of a name, whatever its case."""
        wanted = same(name)
        return next((one for one in self.people if same(one.name) == wanted), None)

    def with_person(self, person: Person) -> People:
        """With this person in the place of the one of the same name, or added."""
        others = [one for one in self.people if same(one.name) != same(person.name)]
        rows = sorted((*others, person), key=lambda one: same(one.name))
        return self.model_copy(update={"people": tuple(rows)})

    def without(self, name: str) -> People:
        """Without the person of a name."""
        rows = tuple(one for one in self.people if same(one.name) != same(name))
        return self.model_copy(update={"people": rows})

    def told(self, what: str, person: Person, time: float, by: str) -> People:
        """With one more change."""
        change = Change(
            id=edition(), time=time, what=what, name=person.name, by=by, role=person.role
        )
        return self.model_copy(update={"changes": (*self.changes, change)[-CHANGES:]})


def edition() -> str:
    """A new one."""
    return secrets.token_hex(8)


def account() -> str:
    """The account on the machine that changes people, for the journal."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a container without a name for its user
        return "an unnamed account"


def parsed(text: str, place: str) -> People:
    """People from the text of the file; StartError when it is not one."""
    try:
        found = People.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"])) or "the text"
        raise StartError(
            f"{place}: {where}: {first['msg']}; allowed: what `loopwitness user` wrote"
        ) from None
    if found.version != 1:
        raise StartError(f"{place}: version {found.version}; allowed: 1, as this program writes")
    return found


def read(folder: Path) -> People:
    """Everybody; nobody when there is no file. StartError when it cannot be read."""
    file = folder / FILE
    try:
        return parsed(file.read_text(encoding="utf-8"), str(file))
    except FileNotFoundError:
        return People()
    except (OSError, UnicodeDecodeError) as error:
        raise StartError(f"{file}: {error}; allowed: a file that this user may read") from None


def change(folder: Path, work: Callable[[People], People]) -> People:
    """Let `work` make new people of those there are, and keep them; one writer at a time.

    StartError when the folder cannot be written; whatever `work` raises leaves all as it was.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with _alone(folder):
            made = work(read(folder))
            write(folder, made)
    except OSError as error:
        raise _refused(folder, error) from None
    return made


def write(folder: Path, people: People) -> None:
    """Replace the file, on disk when this returns. OSError when that cannot be."""
    file = folder / FILE
    part = file.with_name(f".{FILE}.part")
    part.unlink(missing_ok=True)
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNERS_ALONE)
    with os.fdopen(handle, "w", encoding="utf-8") as opened:
        opened.write(people.model_dump_json(indent=1) + "\n")
        opened.flush()
        os.fsync(handle)
    _give_to_owner(folder, part)
    part.rename(file)


def _give_to_owner(folder: Path, file: Path) -> None:
    """What root writes there belongs to whoever the folder belongs to: the gateway reads it."""
    if os.geteuid() == 0:
        owner = folder.stat()
        os.chown(file, owner.st_uid, owner.st_gid)


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    lock = folder / LOCK
    handle = os.open(lock, os.O_RDWR | os.O_CREAT, OWNERS_ALONE)
    try:
        _give_to_owner(folder, lock)
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _refused(folder: Path, error: OSError) -> StartError:
    words = f"{folder}: {error.strerror}; allowed: the folder of a gateway, writable"
    return DiskError(words) if error.errno in DISK_ERRNOS else StartError(words)


class Book:
    """The people of a folder as they are now: the file is read again when it is another one.

    A file that cannot be read lets nobody in: told in the log, and tried again when it changes.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._seen: tuple[int, int, int] | None = None
        self._people = People()

    def __call__(self) -> People:
        """Everybody."""
        stamp = None
        with suppress(OSError):
            found = (self._folder / FILE).stat()
            stamp = (found.st_ino, found.st_mtime_ns, found.st_size)
        if stamp != self._seen:
            self._seen = stamp
            try:
                self._people = read(self._folder)
            except StartError as error:
                self._people = People()
                log.warning("nobody can sign in: the file of people", reason=str(error))
        return self._people
