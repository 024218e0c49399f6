"""Scripts and styles in one file a page: in order, complete, packed, kept for ever."""

from __future__ import annotations

import gzip
import re
from pathlib import Path

import httpx
import pytest

from gateway.web.app import STATIC
from gateway.web.joined import AT, Files

SCRIPTS = sorted(
    re.findall(r'set script = "(\w+\.js)"', page.read_text(encoding="utf-8"))[0]
    for page in (STATIC.parent / "templates").glob("*.html")
    if "set script" in page.read_text(encoding="utf-8")
)
BEGINS = re.compile(r"^const \$(\w+) = \(\(\) => \{$", re.MULTILINE)
NEEDS = re.compile(r"^const \{ ([^}]*) \} = \$(\w+);$", re.MULTILINE)


def text_of(files: Files, address: str) -> str:
    found = files.get(address.removeprefix(AT))
    assert found
    return found.text.decode()


@pytest.mark.parametrize("script", SCRIPTS)
def test_every_module_once_and_after_what_it_needs(script: str) -> None:
    files = Files(STATIC)
    text = text_of(files, files.script(script))
    begun: list[str] = []
    for line in text.splitlines():
        if begins := BEGINS.match(line):
            begun.append(begins[1])
        elif needs := NEEDS.match(line):
            assert needs[2] in begun[:-1]
    assert begun[-1] == script.removesuffix(".js")
    assert len(begun) == len(set(begun))
    assert not re.search(r"^\s*(import|export) ", text, re.MULTILINE)


def test_an_import_under_another_name(tmp_path: Path) -> None:
    (tmp_path / "a.js").write_text("export const ONE = 1;\nexport async function two() {}\n")
    (tmp_path / "b.js").write_text('import { ONE as first, two } from "./a.js";\n\ntwo(first);\n')
    files = Files(tmp_path)
    text = text_of(files, files.script("b.js"))
    assert "const { ONE: first, two } = $a;" in text
    assert "return { ONE, two };" in text


def test_print_is_for_paper_and_comes_last(tmp_path: Path) -> None:
    (tmp_path / "page.css").write_text("p { color: red; }")
    (tmp_path / "print.css").write_text("p { color: black; }")
    files = Files(tmp_path)
    address = files.styles(["page.css", "print.css"])
    assert text_of(files, address) == "p { color: red; }\n@media print {\np { color: black; }\n}"
    assert files.styles(["page.css", "print.css"]) == address


async def test_packed_and_kept_for_ever(client: httpx.AsyncClient) -> None:
    page = (await client.get("/")).text
    addresses = re.findall(rf'"({AT}[^"]+)"', page)
    assert len(addresses) == 4
    for address in addresses:
        answer = await client.get(address)
        assert answer.headers["cache-control"] == "public, max-age=31536000, immutable"
        assert answer.headers["content-encoding"] == "gzip"
        plain = await client.get(address, headers={"Accept-Encoding": "identity"})
        assert "content-encoding" not in plain.headers
        assert plain.content == answer.content
        assert len(gzip.compress(plain.content)) < len(plain.content)
    gone = await client.get(AT + "page-0.css")
    assert gone.status_code == 404
    assert gone.headers["cache-control"] == "no-cache"
