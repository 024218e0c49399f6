"""The unit file: right, tight, and the program runs in it."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from gateway.errors import SiteFileError
from tests.cli.commands import ROOT, environment
from tests.drills.soak import AS_A_SERVICE

pytestmark = [pytest.mark.slow, pytest.mark.server]

UNIT = ROOT / "deploy" / "loopwitness.service"
SITE = ROOT / "config" / "harbour-archive.toml"
JAIL = Path(__file__).with_name("jail.py")
MOST_EXPOSURE = 1.5
"""Of 10, by systemd's own measure; what is left is that it uses the network."""


@pytest.fixture
def unit(tmp_path: Path) -> Path:
    """The unit with a command that is there."""
    (tmp_path / "loopwitness").write_text("#!/bin/sh\n")
    (tmp_path / "loopwitness").chmod(0o755)
    text = UNIT.read_text(encoding="utf-8")
    (tmp_path / UNIT.name).write_text(text.replace("/opt/loopwitness/bin", str(tmp_path)))
    return tmp_path / UNIT.name


def run(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(list(map(str, words)), capture_output=True, text=True, check=False)


def test_systemd_has_nothing_to_say(unit: Path) -> None:
    done = run("systemd-analyze", "verify", "--man=no", unit)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_systemd_finds_it_tight(unit: Path) -> None:
    done = run("systemd-analyze", "security", "--no-pager", "--offline=true", unit)
    found = re.search(r"Overall exposure level for loopwitness.service: ([\d.]+)", done.stdout)
    assert found, done.stderr
    assert float(found[1]) <= MOST_EXPOSURE


def settings() -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for line in UNIT.read_text(encoding="utf-8").splitlines():
        if found := re.fullmatch(r"([A-Za-z]+)=(.*)", line):
            out.setdefault(found[1], []).append(found[2])
    return out


def test_what_the_program_and_the_unit_must_agree_about() -> None:
    said = settings()
    assert said["Type"] == ["notify"]
    assert said["RestartPreventExitStatus"] == [f"{SiteFileError.exit_code} 2"]
    # Else a disk that is away for some minutes would end the watching for good.
    assert said["StartLimitIntervalSec"] == ["0"]
    (given,) = said["Environment"]
    assert f"LOOPWITNESS_STATE_DIR=/var/lib/{said['StateDirectory'][0]}" in given
    assert {f"{name}={value}" for name, value in AS_A_SERVICE.items()} <= set(given.split())
    # The jail of the next test is made by hand of these.
    assert said["SystemCallFilter"] == ["@system-service", "~@privileged @resources"]
    assert said["MemoryDenyWriteExecute"] == ["yes"]
    assert said["RestrictAddressFamilies"] == ["AF_INET AF_INET6 AF_UNIX"]


def test_the_jail_holds(tmp_path: Path) -> None:
    tried = (
        "import mmap, os, socket\n"
        "for what in (lambda: mmap.mmap(-1, 4096, prot=7), lambda: socket.socket(16, 3),\n"
        "             lambda: os.chroot('.')):\n"
        "    try:\n        what()\n    except PermissionError:\n        print('refused')\n"
    )
    (tmp_path / "tried.py").write_text(tried)
    done = run(sys.executable, JAIL, sys.executable, tmp_path / "tried.py")
    assert done.stdout.split() == ["refused"] * 3, done.stderr


def test_the_gateway_runs_in_it(tmp_path: Path, free_port: int) -> None:
    """With everything that opens sockets or loads libraries, and an export to Parquet."""
    env = environment(
        tmp_path, LOOPWITNESS_BACNET_ENABLED="true", LOOPWITNESS_BACNET_PORT=str(free_port),
        LOOPWITNESS_MQTT_HOST="127.0.0.1", LOOPWITNESS_MQTT_PORT=str(free_port),
        LOOPWITNESS_INFLUX_URL=f"http://127.0.0.1:{free_port}",
    )  # fmt: skip
    for words in (("run", SITE, "--for", "4"), ("export", SITE, "all.parquet"), ("backup", ".")):
        done = subprocess.run(
            [sys.executable, JAIL, sys.executable, "-m", "gateway", *map(str, words)],
            cwd=tmp_path, env=env, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
    assert (tmp_path / "all.parquet").stat().st_size > 1000
