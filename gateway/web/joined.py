"""Scripts and styles as pages load them: all that a page needs in one file, packed once.

A phone that asks for thirty small files waits thirty times. The files in `static/` stay as people
write them; here the modules behind a page's script become one, and its styles become one. What is
in the name is the content's digest, so browsers may keep them for ever.
"""

from __future__ import annotations

import gzip
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from hashlib import sha256
from pathlib import Path

from fastapi import APIRouter, Request, Response

from .refusals import unknown

AT = "/static/joined/"
"""Where they are; `headers.py` lets everything below it be kept."""
PLOTS = "vendor/uplot/uPlot.iife.min.js"
_IMPORT = re.compile(r'^import \{ ([^}]*) \} from "\./([a-z]+\.js)";$', re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(?:async )?function (\w+)|const (\w+))", re.MULTILINE)
_KINDS = {".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8"}


@dataclass(frozen=True)
class Joined:
    """One file as it is sent."""

    name: str
    text: bytes

    @cached_property
    def packed(self) -> bytes:
        """The same by gzip."""
        return gzip.compress(self.text, 9, mtime=0)


class Files:
    """Joins files of a folder when they are first asked for, each way once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._made: dict[tuple[str, ...], Joined] = {}
        self._known: dict[str, Joined] = {}

    def styles(self, names: Sequence[str]) -> str:
        """The address of these styles in one file, in this order; print.css is for paper."""
        return self._address(tuple(names), ".css")

    def script(self, name: str, *, plots: bool = False) -> str:
        """The address of a page's script with every module that it imports; plots: and uPlot."""
        return self._address((*([PLOTS] if plots else []), name), ".js")

    def get(self, name: str) -> Joined | None:
        """The file of an address that was given."""
        return self._known.get(name)

    def _address(self, names: tuple[str, ...], suffix: str) -> str:
        if names not in self._made:
            text = self._style(names) if suffix == ".css" else self._script(names)
            content = text.encode()
            stem = Path(names[-1 if suffix == ".js" else 0]).stem
            made = Joined(f"{stem}-{sha256(content).hexdigest()[:16]}{suffix}", content)
            self._made[names] = self._known[made.name] = made
        return AT + self._made[names].name

    def _style(self, names: tuple[str, ...]) -> str:
        parts = [(name, self._read(name)) for name in names]
        return "\n".join(f"@media print {{\n{t}\n}}" if n == "print.css" else t for n, t in parts)

    def _script(self, names: tuple[str, ...]) -> str:
        *before, entry = names
        parts = [
            f"window.uPlot = (() => {{\n{self._read(n)}\nreturn uPlot;\n}})();" for n in before
        ]
        return "\n".join([*parts, *self._modules(entry, {}).values()])

    def _modules(self, name: str, done: dict[str, str]) -> dict[str, str]:
        """The module and what it imports, each after what it needs, as functions run once."""
        source = self._read(name)
        done[name] = ""  # begun: in a circle the second visit ends here
        for _, other in _IMPORT.findall(source):
            if other not in done:
                self._modules(other, done)
        del done[name]
        body = _IMPORT.sub(_taken, source)
        given = ", ".join(a or b for a, b in _EXPORT.findall(source))
        body = _EXPORT.sub("", body)
        done[name] = f"const {_scope(name)} = (() => {{\n{body}\nreturn {{ {given} }};\n}})();"
        return done

    def _read(self, name: str) -> str:
        return (self._folder / name).read_text(encoding="utf-8")


def _scope(name: str) -> str:
    return f"${name.removesuffix('.js')}"


def _taken(found: re.Match[str]) -> str:
    """An import as a look into the module's scope: "a as b" is "a: b" there."""
    return f"const {{ {found[1].replace(' as ', ': ')} }} = {_scope(found[2])};"


def routes(files: Files) -> APIRouter:
    """Gives joined files to browsers."""
    router = APIRouter(include_in_schema=False)

    @router.get(AT + "{name}")
    async def joined(request: Request, name: str) -> Response:
        found = files.get(name)
        if found is None:
            raise unknown("joined", name, [])
        kind = _KINDS[Path(name).suffix]
        if "gzip" not in request.headers.get("accept-encoding", ""):
            return Response(found.text, media_type=kind, headers={"Vary": "Accept-Encoding"})
        headers = {"Content-Encoding": "gzip", "Vary": "Accept-Encoding"}
        return Response(found.packed, media_type=kind, headers=headers)

    return router
