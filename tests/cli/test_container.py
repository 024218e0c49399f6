"""The container files, as far as they can be checked without an engine."""

from __future__ import annotations

import asyncio
import json
import re
import shlex
import socket
import ssl
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from contextlib import suppress
from fnmatch import fnmatch
from pathlib import Path

import pytest

from gateway.settings import Settings
from tests.cli.commands import ROOT, environment
from tests.web.certificates import certificate

pytestmark = [pytest.mark.slow, pytest.mark.server]

DEPLOY = ROOT / "deploy"
IGNORED = DEPLOY / "Dockerfile.dockerignore"
PINNED = re.compile(r"[a-z0-9./-]+:v?\d[\w.-]*")
"""An image with a version."""


def instructions() -> Iterator[tuple[str, str]]:
    """(instruction, its words) of the Dockerfile; continued lines joined."""
    text = re.sub(r"(?m)^\s*#.*\n", "", (DEPLOY / "Dockerfile").read_text(encoding="utf-8"))
    for line in re.sub(r"\\\n\s*", " ", text).splitlines():
        if line.strip():
            name, _, words = line.strip().partition(" ")
            yield name, words.strip()


def stage(number: int) -> list[tuple[str, str]]:
    """The instructions of one stage."""
    stages: list[list[tuple[str, str]]] = []
    for one in instructions():
        if one[0] == "FROM":
            stages.append([])
        stages[-1].append(one)
    return stages[number]


def sent(name: str) -> bool:
    """Whether the ignore file lets a path go to the engine; the last line that fits decides."""
    found = True
    for line in IGNORED.read_text(encoding="utf-8").splitlines():
        pattern = line.removeprefix("!").removeprefix("**/")
        if line.startswith("#") or not line:
            continue
        parts = Path(name).parts
        heads = ["/".join(parts[: k + 1]) for k in range(len(parts))]
        if any(fnmatch(head, pattern) for head in heads) or (
            "**/" in line and any(fnmatch(part, pattern) for part in parts)
        ):
            found = line.startswith("!")
    return found


def copied() -> list[str]:
    words = [shlex.split(w) for name, w in instructions() if name == "COPY" and "--from" not in w]
    return [source for one in words for source in one[:-1]]


def test_everything_that_is_copied_is_there_and_sent() -> None:
    assert len(copied()) >= 7
    for source in copied():
        assert (ROOT / source).exists(), source
        assert sent(source), source
    for line in IGNORED.read_text(encoding="utf-8").splitlines():
        if line.startswith("!"):
            assert (ROOT / line[1:]).exists(), line
            assert any(s == line[1:] or s.startswith(f"{line[1:]}/") for s in copied()), line


def test_what_stays_here_stays_here() -> None:
    for name in (".git/config", "var/history.sqlite3", ".env", "tests/sites.py", "ci-output/x.png",
                 "gateway/__pycache__/run.cpython-311.pyc", ".venv-test/bin/python"):  # fmt: skip
        assert not sent(name), name
    assert sent("gateway/run.py")


def test_the_build_uses_what_the_project_says_it_needs() -> None:
    """Files that pyproject.toml names for the wheel are among the copied."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]
    needed = {project["project"]["readme"], wheel["hooks"]["custom"]["path"], *wheel["packages"]}
    needed |= set(wheel["force-include"])
    for name in needed:
        assert any(name == c or name.startswith(f"{c}/") for c in copied()), name


def test_images_and_packages_are_pinned() -> None:
    images = [w.split()[0] for name, w in instructions() if name == "FROM"]
    compose = (DEPLOY / "compose.yaml").read_text(encoding="utf-8")
    images += [one for one in re.findall(r"image: (\S+)", compose) if one != "loopwitness"]
    assert len(images) == 4
    assert [one for one in images if not PINNED.fullmatch(one)] == []
    for name, words in instructions():
        for one in re.findall(r"pip (?:install|wheel)[^&]*", words if name == "RUN" else ""):
            assert "--require-hashes" in one or "--no-deps" in one, one


def test_the_image_has_no_build_tools_and_no_root() -> None:
    last = stage(-1)
    runs = " ".join(words for name, words in last if name == "RUN")
    assert not re.search(r"pip|apt|build|node|npm", runs)
    assert [w for name, w in last if name == "COPY"] == [
        "--from=built /opt/loopwitness /opt/loopwitness"
    ]
    (user,) = [words for name, words in last if name == "USER"]
    assert re.fullmatch(r"[1-9]\d*:[1-9]\d*", user), "by number, so that an engine can tell"
    assert f"--uid {user.partition(':')[0]} " in runs


def test_settings_are_known() -> None:
    files = ("Dockerfile", "compose.yaml", "loopwitness.service", "README.md")
    text = "".join((DEPLOY / name).read_text(encoding="utf-8") for name in files)
    own = {"SECRETS_DIR", "CONFIG", "SITE"}
    named = set(re.findall(r"LOOPWITNESS_([A-Z][A-Z_]*[A-Z])", text)) - own
    assert named <= {name.upper() for name in Settings.model_fields}
    assert "STATE_DIR" in named


@pytest.mark.parametrize(("status", "code"), [("200 OK", 0), ("503 Service Unavailable", 1)])
async def test_the_health_check(tmp_path: Path, status: str, code: int) -> None:
    (words,) = [words for name, words in stage(-1) if name == "HEALTHCHECK"]
    command = json.loads(words.partition("CMD ")[2])
    assert command[0] == "python"
    asked: list[bytes] = []

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        asked.append(await reader.readline())
        writer.write(f"HTTP/1.1 {status}\r\nContent-Length: 0\r\n\r\n".encode())
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    port = str(server.sockets[0].getsockname()[1])
    async with server:
        done = await asyncio.create_subprocess_exec(
            sys.executable, *command[1:], env=environment(tmp_path, LOOPWITNESS_HTTP_PORT=port),
            stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip
        assert await done.wait() == code
    assert asked == [b"GET /healthz HTTP/1.1\r\n"]


async def test_the_health_check_over_tls(tmp_path: Path) -> None:
    """The container's own certificate is for its name in the network, not for 127.0.0.1."""
    (words,) = [words for name, words in stage(-1) if name == "HEALTHCHECK"]
    command = json.loads(words.partition("CMD ")[2])
    cert, key = certificate(tmp_path, host="gateway.example")
    tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    tls.load_cert_chain(cert, key)

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        assert await reader.readline() == b"GET /healthz HTTP/1.1\r\n"
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n")
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0, ssl=tls)
    port = str(server.sockets[0].getsockname()[1])
    given = {"LOOPWITNESS_HTTP_PORT": port, "LOOPWITNESS_HTTP_TLS_CERT_FILE": str(cert)}
    async with server:
        done = await asyncio.create_subprocess_exec(
            sys.executable, *command[1:], env=environment(tmp_path, **given)
        )
        assert await done.wait() == 0


def test_compose_reads_its_file() -> None:
    """Resolved by the real command, which needs no engine for it."""
    done = subprocess.run(
        ["docker-compose", "-f", str(DEPLOY / "compose.yaml"), "config"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    for volume in re.findall(r"^\s+- (/[^:]+):/", done.stdout, re.MULTILINE):
        assert Path(volume).exists()
    assert str(DEPLOY / "mosquitto.conf") in done.stdout
    assert "no-new-privileges:true" in done.stdout


HELLO = b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x3c\x00\x00"
"""CONNECT of MQTT 3.1.1 without a name (OASIS, section 3.1)."""


def answers(port: int) -> bool:
    """Whether a broker there lets somebody in or turns them away."""
    with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=30) as asking:
        asking.sendall(HELLO)
        return asking.recv(1) == b"\x20"
    return False


def test_the_broker_takes_its_file(tmp_path: Path, free_port: int) -> None:
    text = (DEPLOY / "mosquitto.conf").read_text(encoding="utf-8")
    text = text.replace("listener 1883", f"listener {free_port} 127.0.0.1\nuser root")
    text = text.replace("/mosquitto/data/", f"{tmp_path}/")
    (tmp_path / "broker.conf").write_text(text, encoding="utf-8")
    broker = subprocess.Popen(
        ["mosquitto", "-c", str(tmp_path / "broker.conf")],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        env=environment(tmp_path) | {"PATH": "/usr/sbin:/usr/bin:/bin"},
    )  # fmt: skip
    # It listens before it minds signals: one that came earlier would end it without a word.
    for _ in range(600):
        if answers(free_port):
            break
        time.sleep(0.05)
    broker.terminate()
    said, _ = broker.communicate(timeout=60)
    assert "running" in said
    assert "Error" not in said
    assert (tmp_path / "mosquitto.db").exists(), "kept over a restart"
