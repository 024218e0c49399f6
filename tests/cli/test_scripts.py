"""The scripts in deploy: each thing that can be missing ends in one clear line."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest

from tests.cli.commands import ROOT

pytestmark = pytest.mark.slow

TOOLS = ("bash", "cat", "cut", "dirname", "grep", "head", "mkdir", "printf", "rm", "sha256sum",
         "sort", "tail", "tr")  # fmt: skip

TRUE = shutil.which("true")

PYTHON = """\
#!/bin/bash
# Stands for Python: version check, venv and pip as the test wants them.
case "$*" in
    *version_info*) exit {version} ;;
    *"import venv"*) exit {venv} ;;
    *"-m venv"*)
        mkdir -p "${{@: -1}}/bin"
        cat "$0" >"${{@: -1}}/bin/python"
        printf '#!/bin/bash\\necho "ran: $*"\\nexec {then}\\n' >"${{@: -1}}/bin/loopwitness"
        /bin/chmod +x "${{@: -1}}"/bin/* ;;
    *"pip --version"*) exit 0 ;;
    *"pip install"*) echo "{pip}"; echo "pip $*" >>"{log}"; [[ -z "{pip}" ]] ;;
esac
"""


class Desk:
    """A copy of the project's outside and a path with nothing but a few tools and a stand-in."""

    def __init__(self, folder: Path) -> None:
        self.project = folder / "project"
        self.bin = folder / "bin"
        self.log = folder / "pip.txt"
        self.bin.mkdir()
        shutil.copytree(ROOT / "deploy", self.project / "deploy")
        shutil.copy(ROOT / "pyproject.toml", self.project)
        for tool in TOOLS:
            if found := shutil.which(tool):
                (self.bin / tool).symlink_to(found)

    def python(
        self, *, version: int = 0, venv: int = 0, pip: str = "", then: str | None = TRUE
    ) -> None:
        self.tool("python3", PYTHON.format(version=version, venv=venv, pip=pip, then=then,
                                           log=self.log))  # fmt: skip

    def tool(self, name: str, text: str) -> None:
        (self.bin / name).write_text(text)
        (self.bin / name).chmod(0o755)

    def environment(self) -> dict[str, str]:
        return {"PATH": str(self.bin), "HOME": str(self.bin.parent)}

    def run(self, script: str, *args: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["bash", str(self.project / "deploy" / script), *args],
            env=self.environment(), capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def test_without_a_new_enough_python(desk: Desk) -> None:
    desk.python(version=1)
    for script in ("demo.sh", "test.sh"):
        ended = desk.run(script)
        assert ended.returncode == 1
        assert ended.stderr.count("\n") == 1
        assert f"{script}: no Python 3.11 or newer found" in ended.stderr


def test_without_the_venv_module(desk: Desk) -> None:
    desk.python(venv=1)
    ended = desk.run("demo.sh")
    assert ended.returncode == 1
    last = ended.stderr.splitlines()[-1]
    assert "has no venv module" in last
    assert "apt-get install python3-venv" in last


@pytest.mark.parametrize(
    ("said", "line"),
    [
        ("NewConnectionError: [Errno -3] Temporary failure in name resolution", "no network: "),
        ("npm error code ENOTFOUND", "no network: "),
        ("ERROR: hashes do not match", "packages cannot be installed: ERROR: hashes do not match"),
    ],
)
def test_when_packages_cannot_be_had(desk: Desk, said: str, line: str) -> None:
    desk.python(pip=said)
    ended = desk.run("demo.sh")
    assert ended.returncode == 1
    assert ended.stderr.splitlines()[-1].startswith(f"demo.sh: {line}")


def test_the_demo_is_installed_once_and_gets_its_arguments(desk: Desk) -> None:
    desk.python()
    first = desk.run("demo.sh", "--port", "8700", "--for", "3")
    assert (first.returncode, first.stdout) == (0, "ran: demo --port 8700 --for 3\n")
    calls = desk.log.read_text()
    assert "--require-hashes -r deploy/requirements.lock -r deploy/build.lock" in calls
    assert "--no-deps --no-build-isolation -e ." in calls
    again = desk.run("demo.sh")
    assert "installed already" in again.stderr
    assert desk.log.read_text() == calls, "nothing is installed a second time"
    lock = desk.project / "deploy" / "requirements.lock"
    lock.write_text(lock.read_text() + "\n# renewed\n")
    assert "installing packages" in desk.run("demo.sh").stderr


def test_ctrl_c_reaches_the_demo_itself(desk: Desk) -> None:
    desk.python(then=f"{shutil.which('sleep')} 30")
    process = subprocess.Popen(
        ["bash", str(desk.project / "deploy" / "demo.sh")],
        env=desk.environment(), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    assert process.stdout
    assert process.stdout.readline() == "ran: demo\n"
    time.sleep(0.1)
    os.kill(process.pid, signal.SIGINT)  # to this one process: it must be the demo by now
    assert process.wait(10) == -signal.SIGINT
    process.stdout.close()


def test_what_the_tests_need_is_named_to_someone_who_cannot_install_it(desk: Desk) -> None:
    desk.python()
    desk.tool("id", "#!/bin/bash\necho 1000\n")
    ended = desk.run("test.sh")
    assert ended.returncode == 1
    (line,) = ended.stderr.splitlines()
    assert "the tests need what is not here: " in line
    assert "chromium" in line
    assert "victoria-metrics" in line
    assert "as root: apt-get install" in line
