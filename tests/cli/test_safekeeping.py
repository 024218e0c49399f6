"""`loopwitness backup` and `restore` as a person meets them, beside a gateway that runs."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from gateway.record.opening import FILE
from tests.cli.commands import ROOT, command, ended, started, tell

pytestmark = [pytest.mark.slow, pytest.mark.server]

SITE = ROOT / "config" / "harbour-archive.toml"
"""Whether anything answers at its addresses does not matter: silence makes rows too."""


async def test_backup_and_restore_beside_a_gateway(tmp_path: Path) -> None:
    async with started(tmp_path, "run", SITE) as gateway:
        assert gateway.stdout is not None
        await gateway.stdout.readline()
        done = await command(tmp_path, "backup", "copy.sqlite3", "--json")
        assert done.code == 0, done.err
        said = done.json()
        assert said["file"] == "copy.sqlite3"
        assert said["bytes"] == size(tmp_path / "copy.sqlite3")
        again = await command(tmp_path, "backup", "copy.sqlite3")
        assert (again.code, again.out) == (3, "")
        assert again.err.startswith("loopwitness: copy.sqlite3: is there already; allowed: a new")
        refused = await command(tmp_path, "restore", "copy.sqlite3")
        assert (refused.code, refused.out) == (3, "")
        assert (
            "a gateway runs on this folder; allowed: restoring while it is stopped" in refused.err
        )
        tell(gateway, signal.SIGTERM)
        assert (await ended(gateway)).code == 0
    restored = await command(tmp_path, "restore", "copy.sqlite3")
    assert restored.code == 0, restored.err
    assert restored.out.startswith(f"{tmp_path}/state/{FILE}: ")
    assert "; what was there is kept as history-replaced-" in restored.out
    async with started(tmp_path, "run", SITE, "--for", "0.5") as gateway:
        assert (await ended(gateway)).code == 0


async def test_a_folder_without_history_is_one_line(tmp_path: Path) -> None:
    done = await command(tmp_path, "backup", ".", "--state", "nowhere")
    assert (done.code, done.out) == (3, "")
    assert done.err == (
        f"loopwitness: nowhere/{FILE}: not there; allowed: a folder in which a gateway keeps "
        "history\n"
    )


def size(file: Path) -> int:
    return file.stat().st_size
