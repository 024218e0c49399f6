"""The site file and its register maps: TOML text becomes a `Site`, or every fault at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import TypeAdapter, ValidationError

from gateway.errors import Fault, SiteFileError

from .controllers import Controller, RegisterMap
from .crosscheck import Draft, clashes, entries
from .faults import among, clean, in_words, path_of, shown
from .loops import Loop
from .noun import Id, Noun
from .site import Site, SiteInfo
from .transducers import Transducer

LARGEST = 4_000_000
"""Bytes; a file beyond this is no site file."""

_Known = TypeVar("_Known", bound=Noun)
_Tables = dict[str, Any]
_ID = TypeAdapter(Id)
_SECTIONS = tuple(Site.model_fields)


def read_site(path: Path) -> Site:
    """The site that a TOML file describes; SiteFileError with every fault in it and its maps.

    Register maps are looked for relative to the folder of the site file.
    """
    try:
        data = _toml(path)
    except _UnreadableError as error:
        raise _all(str(path), [error.fault]) from None
    return site_from(data, str(path), path.parent)


def site_from(data: Mapping[str, Any], file: str, folder: Path) -> Site:
    """The site that parsed TOML describes. `file`: named in faults; `folder`: of register maps."""
    work = _Work(folder)
    try:
        site = _read(work, data)
    except RecursionError:
        raise _all(file, [_TOO_DEEP]) from None
    if site is None:
        raise _all(file, work.faults)
    return site


def _all(file: str, faults: list[Fault]) -> SiteFileError:
    cleaned = [Fault(clean(f.path), clean(f.value), clean(f.allowed)) for f in faults]
    return SiteFileError(file, tuple(dict.fromkeys(cleaned)))


class _UnreadableError(Exception):
    """A file that is no TOML, or cannot be read at all."""

    def __init__(self, fault: Fault) -> None:
        self.fault = fault
        super().__init__(str(fault))


@dataclass
class _Work:
    """What is gathered while one site file is read."""

    folder: Path
    faults: list[Fault] = field(default_factory=list)
    unsure: set[str] = field(default_factory=set)
    maps: dict[str, RegisterMap | None] = field(default_factory=dict)


_TOO_DEEP = Fault(
    "file", "tables inside tables inside tables ...", "a few levels, as in an example"
)


def _read(work: _Work, data: Mapping[str, Any]) -> Site | None:
    for key in data:
        if key not in _SECTIONS:
            allowed = f"a table known here{among(key, _SECTIONS)}"
            work.faults.append(Fault(path_of([key]), shown(data[key]), allowed))
    info = _info(work, data)
    controllers = _section(work, data, "controllers", Controller)
    controllers = {name: _with_map(work, data, name, c) for name, c in controllers.items()}
    transducers = _section(work, data, "transducers", Transducer)
    loops = _section(work, data, "loops", Loop)
    points = {name: _point_names(work, name, entry) for name, entry in entries(data, "controllers")}
    draft = Draft(data, controllers, transducers, loops, points, frozenset(work.unsure))
    work.faults.extend(clashes(draft))
    if work.faults or info is None:
        return None
    return Site(site=info, controllers=controllers, transducers=transducers, loops=loops)


def _info(work: _Work, data: Mapping[str, Any]) -> SiteInfo | None:
    if "site" not in data:
        work.faults.append(Fault("site", "not there", "a table [site] with an id"))
        return None
    info, faults = _entry(SiteInfo, data["site"], ("site",))
    if info is not None and not _is_timezone(info.timezone):
        allowed = f"a name of the IANA list{among(info.timezone, sorted(available_timezones()))}"
        faults.append(Fault("site.timezone", shown(info.timezone), allowed))
    work.faults.extend(faults)
    return info


def _is_timezone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # also folders and odd paths
        return False
    return True


def _section(
    work: _Work, data: Mapping[str, Any], kind: str, model: type[_Known]
) -> dict[str, _Known]:
    """The entries of a section that could be read, each on its own; faults go to `work`."""
    found: dict[str, _Known] = {}
    if not isinstance(data.get(kind, {}), Mapping):
        allowed = f"a table: [{kind}.name] for each of them"
        work.faults.append(Fault(kind, shown(data[kind]), allowed))
        work.unsure.add(kind)
    for name, entry in entries(data, kind):
        try:
            _ID.validate_python(name)
        except ValidationError:
            allowed = "a name of up to 63 of a-z, 0-9 and -, not starting with -"
            work.faults.append(Fault(path_of([kind, name]), shown(name), allowed))
        noun, faults = _entry(model, entry, (kind, name))
        if faults:
            work.faults.extend(faults)
            work.unsure.add(f"{kind}.{name}")
        if noun is not None:
            found[name] = noun
    return found


def _entry(
    model: type[_Known], entry: object, place: tuple[str, ...]
) -> tuple[_Known | None, list[Fault]]:
    """One entry and its faults; an entry with faults comes without its faulty keys, if it can.

    So a rule of the whole entry, or a reference in it, is checked although one key is wrong.
    """
    value = _tuples(entry)
    try:
        return model.model_validate(value, strict=True), []
    except ValidationError as error:
        faults = in_words(error, model, place)
        pruned = _without(value, [e["loc"] for e in error.errors(include_url=False)])
    try:
        return model.model_validate(pruned, strict=True), faults
    except ValidationError as error:
        # What is wrong only because a faulty key was left out is no fault of its own.
        words = " ".join(map(str, faults))
        also = [f for f in in_words(error, model, place) if f.value != "not there"]
        return None, faults + [f for f in also if not _mentioned(f, words)]


def _mentioned(fault: Fault, words: str) -> bool:
    """Whether earlier faults already speak of a key that this one is about."""
    return fault.path in words or any(
        re.search(rf"\b{re.escape(key)}\b", words)
        for key in re.findall(r"[a-z]+_[A-Za-z_]+", str(fault).removeprefix(fault.path))
    )


def _without(value: object, places: list[tuple[int | str, ...]]) -> object:
    """A copy of nested tables without the keys at `places`."""
    if not isinstance(value, Mapping):
        return value
    keys = {place[0]: [p[1:] for p in places if p[:1] == place[:1]] for place in places if place}
    result: dict[str, object] = {}
    for key, item in value.items():
        inner = keys.get(key)
        if inner is None:
            result[key] = item
        elif isinstance(item, Mapping) and all(p and p != ("[key]",) for p in inner):
            result[key] = _without(item, inner)
    return result


def _tuples(value: object) -> object:
    """Lists as tuples, which is what strict validation of a frozen noun wants."""
    if isinstance(value, Mapping):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(map(_tuples, value)) if isinstance(value, list) else value


def _with_map(
    work: _Work, data: Mapping[str, Any], name: str, controller: Controller
) -> Controller:
    """A controller with the points of its register map; its own entries win."""
    if controller.register_map is None:
        return controller
    path = f"controllers.{name}"
    the_map = _map(work, f"{path}.register_map", controller.register_map)
    if the_map is None:
        work.unsure.add(path)
        return controller
    own = data["controllers"][name]
    update: _Tables = {"points": {**the_map.points, **controller.points}}
    if "heartbeat" not in own:
        update["heartbeat"] = the_map.heartbeat
    if "reads" not in own and the_map.reads is not None:
        update["reads"] = the_map.reads
    return controller.model_copy(update=update)


def _point_names(work: _Work, name: str, entry: object) -> list[str] | None:
    """Names of a controller's points, whatever else is wrong with it; None if not to be had."""
    if not isinstance(entry, Mapping):
        return None
    own, file = entry.get("points", {}), entry.get("register_map")
    if not isinstance(own, Mapping) or not isinstance(file, str | None):
        return None
    if file is None:
        return list(own)
    the_map = _map(work, f"controllers.{name}.register_map", file)
    return list({**the_map.points, **own}) if the_map else None


def _map(work: _Work, path: str, file: str) -> RegisterMap | None:
    if file in work.maps:
        return work.maps[file]
    the_map: RegisterMap | None = None
    faults: list[Fault] = []
    try:
        the_map, faults = _entry(RegisterMap, _toml(work.folder / file), ())
    except _UnreadableError as error:
        fault = error.fault
        work.faults.append(Fault(f"{path}, {fault.path}", fault.value, fault.allowed))
    for fault in faults:
        where = f"{path}, {file}: {fault.path}"
        work.faults.append(Fault(where, fault.value, fault.allowed))
    work.maps[file] = None if faults else the_map
    return work.maps[file]


def _toml(path: Path) -> _Tables:
    """Parsed TOML; _UnreadableError when the file is not there or is no TOML."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)  # a device would go on for ever
        if len(data) > LARGEST:
            size = path.stat().st_size or "endless"
            raise _UnreadableError(Fault(str(path), f"{size} bytes", f"up to {LARGEST} bytes"))
        text = data.decode("utf-8-sig")  # some editors begin with a mark
    except (OSError, ValueError) as error:  # ValueError: no UTF-8, or a zero byte in the name
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise _UnreadableError(Fault(str(path), str(reason), "a readable TOML file")) from None
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise _UnreadableError(_TOO_DEEP) from None
    except ValueError as error:  # TOMLDecodeError, and figures too long for a number
        raise _UnreadableError(_syntax(path, text, str(error))) from None


def _syntax(path: Path, text: str, message: str) -> Fault:
    """A TOML error with file, line and column, and the line itself."""
    said = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", message)
    if said is None:
        return Fault(str(path), shown(message), "TOML")
    lines = text.splitlines() or [""]
    line, column = (int(said[2]), int(said[3])) if said[2] else (len(lines), len(lines[-1]) + 1)
    stands = lines[line - 1].strip() if line <= len(lines) else ""
    where = f"line {line}, column {column} of {path}"
    return Fault(where, shown(stands) if stands else "the line ends", f"TOML ({said[1].lower()})")
