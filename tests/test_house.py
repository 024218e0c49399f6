"""The house rules that a machine can check: where things are, how long, and that docs keep up."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from gateway.__main__ import app
from gateway.settings import Settings

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[1]
SOURCES = sorted((ROOT / "gateway").rglob("*.py"))
PYTHON = [
    *SOURCES,
    *sorted((ROOT / "tests").rglob("*.py")),
    *sorted((ROOT / "deploy").glob("*.py")),
]
DOCS = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
MOST_LINES = 400
TOP = {
    ".ci", ".gitignore", "DEVELOPERS.md", "LICENSE", "README.md", "config", "deploy", "gateway",
    "pyproject.toml", "tests",
}  # fmt: skip
PASSING = re.compile(  # what tools leave behind and git does not keep
    r"\.git|\.venv.*|\..*_cache|\.hypothesis|\.env|__pycache__|var|dist|build|ci-output|\.coverage"
)
VAGUE = {"util", "utils", "helper", "helpers", "common", "base", "manager", "handler", "misc"}
WRITTEN = (".py", ".md", ".toml", ".sh", ".yml", ".yaml", ".json", ".lock", ".in", ".html", ".js",
           ".css", ".service", ".conf", ".dockerignore", "")  # fmt: skip
FOREIGN = re.compile(
    "|".join(
        re.escape(a + b)  # in two parts, or this file would find itself
        for a, b in [
            ("/wo", "rk/"), ("/ro", "ot/"), ("bash_", "jobs"), ("py", "pi.org"),
            ("pythonho", "sted.org"), ("registry.np", "mjs.org"), ("/opt/py", "pi"),
        ]
    )
)  # fmt: skip


def name(file: Path) -> str:
    return str(file.relative_to(ROOT))


def kept_files() -> list[Path]:
    """Every text file of the repository that people wrote, generated folders left out."""
    found: list[Path] = []
    for top in sorted(TOP):
        place = ROOT / top
        found += [place] if place.is_file() else [f for f in place.rglob("*") if f.is_file()]
    generated = ("__pycache__", "node_modules", "vendor")
    return [f for f in found if f.suffix in WRITTEN and not set(f.parts) & set(generated)]


@pytest.mark.parametrize("file", SOURCES, ids=name)
def test_every_file_says_what_it_is_for(file: Path) -> None:
    assert ast.get_docstring(ast.parse(file.read_text(encoding="utf-8")))


@pytest.mark.parametrize("file", PYTHON, ids=name)
def test_files_stay_short(file: Path) -> None:
    assert len(file.read_text(encoding="utf-8").splitlines()) < MOST_LINES


@pytest.mark.parametrize("file", [f for f in SOURCES if f.name == "__init__.py"], ids=name)
def test_a_folder_says_what_enters_and_leaves_and_nothing_else(file: Path) -> None:
    assert len(ast.parse(file.read_text(encoding="utf-8")).body) == 1


def test_no_file_has_a_vague_name() -> None:
    assert [name(f) for f in PYTHON if set(f.stem.lower().split("_")) & VAGUE] == []


def test_the_top_of_the_house_is_tidy() -> None:
    found = {entry.name for entry in ROOT.iterdir() if not PASSING.fullmatch(entry.name)}
    assert found <= TOP, found - TOP


def test_no_machine_or_registry_is_named() -> None:
    named = [
        f"{name(file)}: {hit[0]}"
        for file in kept_files()
        if (hit := FOREIGN.search(file.read_text(encoding="utf-8")))
    ]
    assert named == []


@pytest.mark.parametrize("setting", list(Settings.model_fields))
def test_every_setting_is_in_the_docs(setting: str) -> None:
    text = "".join(doc.read_text(encoding="utf-8") for doc in DOCS)
    assert f"LOOPWITNESS_{setting.upper()}" in text


def commands() -> list[str]:
    return [str(c.name or getattr(c.callback, "__name__", "")) for c in app.registered_commands]


def test_there_are_commands() -> None:
    assert {"check", "run", "demo", "registers"} <= set(commands())


@pytest.mark.parametrize("command", commands())
def test_every_command_is_in_the_readme(command: str) -> None:
    assert f"loopwitness {command}" in DOCS[0].read_text(encoding="utf-8")


def pins(lock: str) -> dict[str, str]:
    text = (ROOT / "deploy" / lock).read_text(encoding="utf-8")
    return dict(re.findall(r"^([a-z0-9._-]+)==(\S+)", text, re.MULTILINE))


def wanted(project: dict[str, Any], *extras: str) -> set[str]:
    """Names that pyproject.toml asks for, its references to its own extras followed."""
    asked = list(project["dependencies"])
    for extra in extras:
        asked += project["optional-dependencies"][extra]
    found: set[str] = set()
    for line in asked:
        match = re.match(r"([A-Za-z0-9._-]+)(?:\[([a-z,]+)\])?", line)
        assert match
        if match[1] == project["name"]:
            found |= wanted(project, *match[2].split(","))
        else:
            found.add(re.sub(r"[-_.]+", "-", match[1]).lower())
    return found


def test_the_locks_hold_what_the_project_asks_for() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    program, tests = pins("requirements.lock"), pins("requirements-test.lock")
    assert wanted(project) <= set(program), "run deploy/renew_locks.sh"
    assert wanted(project, "test") <= set(tests), "run deploy/renew_locks.sh"
    assert {k: v for k, v in tests.items() if k in program} == program
    parquet = pins("requirements-parquet.lock")
    assert {k: v for k, v in parquet.items() if k in program} == program
    assert wanted(project, "parquet") - wanted(project) == set(parquet) - set(program)


@pytest.mark.parametrize(
    "lock",
    ["requirements.lock", "requirements-parquet.lock", "requirements-test.lock", "build.lock"],
)
def test_a_lock_has_hashes_and_no_address(lock: str) -> None:
    text = (ROOT / "deploy" / lock).read_text(encoding="utf-8")
    entries = re.split(r"\n(?=[a-z0-9])", text)[1:]
    assert entries
    assert all("--hash=sha256:" in entry for entry in entries)
    assert not re.search(r"://|--index|--find-links|--extra-index|@ file", text)
