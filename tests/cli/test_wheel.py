"""What is built holds all that the program needs, and works away from the project."""

from __future__ import annotations

import re
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from tests.cli.commands import ROOT, command, environment

pytestmark = pytest.mark.slow

NOT_SHIPPED = {"__pycache__", "vendor"}
"""Folders below `gateway` that git ignores: the build fetches what belongs into the second."""


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built without its hook, which needs a network; what that adds is looked at apart."""
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=ROOT, env=environment(folder, HATCH_BUILD_NO_HOOKS="true"), check=True,
        capture_output=True,
    )  # fmt: skip
    (file,) = folder.glob("*.whl")
    return file


@pytest.fixture(scope="module")
def unpacked(wheel: Path) -> Path:
    folder = wheel.parent / "site"
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(folder)
    return folder


def test_every_file_of_the_program_is_in_it(unpacked: Path) -> None:
    wanted = {
        file.relative_to(ROOT)
        for file in (ROOT / "gateway").rglob("*")
        if file.is_file() and not NOT_SHIPPED & set(file.parts)
    }
    endings = {file.suffix for file in wanted}
    assert {".py", ".typ", ".html", ".css", ".js", ".svg"} <= endings
    assert {file for file in wanted if not (unpacked / file).is_file()} == set()


def test_an_upgrade_as_told_replaces_another_state_of_the_same_version(
    tmp_path: Path, wheel: Path
) -> None:
    told = (ROOT / "deploy" / "README.md").read_text(encoding="utf-8")
    words = [line.strip() for line in told.splitlines() if line.endswith(".whl")]
    (line,) = [line for line in words if "/bin/pip install" in line]
    subprocess.run([sys.executable, "-m", "venv", str(tmp_path)], check=True)
    line = re.sub(r"\S+/bin/pip", str(tmp_path / "bin" / "pip"), line)
    line = re.sub(r"\S+/\*\.whl", str(wheel), line)
    subprocess.run(line.split(), check=True, capture_output=True)
    (installed,) = tmp_path.glob("lib/*/site-packages/gateway/run.py")
    new = installed.read_text(encoding="utf-8")
    installed.write_text("# older\n", encoding="utf-8")
    subprocess.run(line.split(), check=True, capture_output=True)
    assert installed.read_text(encoding="utf-8") == new


def test_the_demo_brings_its_site_and_maps(unpacked: Path) -> None:
    there = unpacked / "gateway" / "demo" / "site"
    shipped = {file.relative_to(there) for file in there.rglob("*.toml")}
    assert shipped == {
        file.relative_to(ROOT / "config") for file in (ROOT / "config").rglob("*.toml")
    }


def test_nothing_else_is_in_it(unpacked: Path) -> None:
    tops = {file.name for file in unpacked.iterdir()}
    assert {name.partition("-")[0] for name in tops} == {"gateway", "loopwitness"}
    assert not list(unpacked.rglob("vendor")), "the hook was off"


def test_what_pages_ask_of_others_is_what_the_hook_fetches() -> None:
    hook = (ROOT / "deploy" / "build_assets.py").read_text(encoding="utf-8")
    fetched = set(re.findall(r'"node_modules/[^"]+": "(uplot/[^"]+)"', hook))
    web = ROOT / "gateway" / "web"
    text = "".join(
        file.read_text(encoding="utf-8") for end in ("py", "html") for file in web.rglob(f"*.{end}")
    )
    asked = set(re.findall(r"vendor/(uplot/[\w./-]+\.(?:js|css))", text))
    assert asked
    assert fetched == asked | {"uplot/LICENSE"}


def test_it_is_what_the_next_tests_run(tmp_path: Path, unpacked: Path) -> None:
    found = subprocess.run(
        [sys.executable, "-c", "import gateway; print(gateway.__file__)"],
        cwd=tmp_path, env=environment(tmp_path, PYTHONPATH=str(unpacked)), check=True,
        capture_output=True, text=True,
    )  # fmt: skip
    assert Path(found.stdout.strip()).is_relative_to(unpacked)


async def test_it_works_away_from_the_project(tmp_path: Path, unpacked: Path) -> None:
    site = unpacked / "gateway" / "demo" / "site" / "harbour-archive.toml"
    own = {"PYTHONPATH": str(unpacked)}
    checked = await command(tmp_path, "check", site, **own)
    assert checked.code == 0, checked.err
    assert "no faults (Harbour Street Archive)" in checked.out
    made = await command(tmp_path, "sheet", site, "--pdf", "sheet.pdf", **own)
    assert made.code == 0, made.err
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.alone
async def test_its_demo_runs_away_from_the_project(tmp_path: Path, unpacked: Path) -> None:
    own = {"PYTHONPATH": str(unpacked)}
    ran = await command(tmp_path, "demo", "--port", 0, "--for", 2, **own)
    assert ran.code == 0, ran.err
    assert "Loopwitness is up" in ran.out + ran.err
