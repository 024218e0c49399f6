"""A broker and a time-series server on loopback, each a process of our own."""

from __future__ import annotations

import asyncio
import json
import shutil
import signal
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx

PASSWORD = "hunter-green"  # noqa: S105 - of these tests only


def program(name: str) -> str:
    """Path of a program; the test fails when it is not installed."""
    path = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin")
    assert path, f"{name} is not installed: these tests need it"
    return path


async def listening(port: int) -> bool:
    try:
        _, writer = await asyncio.open_connection("127.0.0.1", port)
    except OSError:
        return False
    writer.close()
    await writer.wait_closed()
    return True


@dataclass
class Server:
    """A server of our own; `start` and `kill` as often as wanted."""

    folder: Path
    port: int
    process: subprocess.Popen[bytes] | None = None

    def command(self) -> list[str]:
        raise NotImplementedError

    async def start(self) -> None:
        self.launch()
        async with asyncio.timeout(30):
            while not await listening(self.port):  # noqa: ASYNC110 - another process
                await asyncio.sleep(0.02)

    def launch(self) -> None:
        quiet = subprocess.DEVNULL
        self.process = subprocess.Popen(self.command(), stdout=quiet, stderr=quiet)

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def signal(self, number: signal.Signals) -> None:
        assert self.process is not None
        self.process.send_signal(number)


@dataclass
class Broker(Server):
    """An MQTT broker."""

    tls: bool = False

    def command(self) -> list[str]:
        return [program("mosquitto"), "-c", str(self.folder / "broker.conf")]

    @asynccontextmanager
    async def subscribed(self, topic: str, *more: str) -> AsyncIterator[list[dict[str, Any]]]:
        """What arrives at a topic from here on, as it comes: topic, payload, qos, retain."""
        async with self._subscribing(topic, *more) as (got, _):
            yield got

    @asynccontextmanager
    async def _subscribing(
        self, topic: str, *more: str
    ) -> AsyncIterator[tuple[list[dict[str, Any]], asyncio.subprocess.Process]]:
        """The same, and the client that is told it."""
        got: list[dict[str, Any]] = []
        there = asyncio.Event()
        # -d tells when the broker has taken the subscription; stdbuf, that it is told at once.
        child = await asyncio.create_subprocess_exec(
            "stdbuf", "-oL", *self._client("mosquitto_sub"), "-d", "-t", topic, "-F", "%j", *more,
            stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip

        async def collect() -> None:
            assert child.stdout is not None
            async for line in child.stdout:
                if not line.startswith(b"{"):
                    if line.startswith(b"Subscribed"):
                        there.set()
                    continue
                message = json.loads(line)
                payload = message.get("payload")  # nothing: a retained message was removed
                got.append({**message, "payload": json.loads(payload) if payload else None})

        collecting = asyncio.create_task(collect())
        try:
            async with asyncio.timeout(40):
                await there.wait()
            yield got, child
        finally:
            if child.returncode is None:
                child.terminate()
            await child.wait()
            await collecting

    async def retained(self, topic: str) -> dict[str, dict[str, Any]]:
        """Retained messages by topic, all of them."""
        end = f"after-what-is-retained/{uuid4().hex}"
        wait = ("--retained-only", "-W", "60")
        async with self._subscribing(topic, "-t", end, *wait) as (got, client):
            # The first message that is not retained comes behind those that are, and ends it.
            await self.publish(end, "0")
            assert await client.wait() == 0
        return {message["topic"]: message["payload"] for message in got}

    async def publish(self, topic: str, payload: str, *more: str) -> None:
        """Publish as somebody else does."""
        command = [*self._client("mosquitto_pub"), "-t", topic, "-m", payload, *more]
        child = await asyncio.create_subprocess_exec(*command)
        assert await child.wait() == 0

    async def request(
        self, topic: str, payload: str, answers: str, *, wait_s: int = 40
    ) -> dict[str, Any] | None:
        """Ask over MQTT 5: the answer, which has our correlation data; None when there is none."""
        correlation = "ask-1"
        child = await asyncio.create_subprocess_exec(
            *self._client("mosquitto_rr"), "-V", "5", "-W", str(wait_s), "-t", topic, "-e", answers,
            "-D", "publish", "correlation-data", correlation, "-m", payload, "-F", "%D %p",
            stdout=asyncio.subprocess.PIPE,
        )  # fmt: skip
        out, _ = await child.communicate()
        if not out:
            return None
        told, _, text = out.decode().strip().partition(" ")
        assert told == correlation, out
        assert text.startswith("{"), out
        answer = json.loads(text)
        assert isinstance(answer, dict)
        return answer

    def _client(self, name: str) -> list[str]:
        """A client program with the way to this broker, as user "reader"."""
        command = [program(name), "-h", "127.0.0.1", "-p", str(self.port), "-q", "1"]
        if self.tls:
            command += ["--cafile", str(self.folder / "ca.pem"), "-u", "reader", "-P", PASSWORD]
        return command


def certificates(folder: Path) -> None:
    """An own CA, a certificate for 127.0.0.1 and one for a client."""

    def run(*words: str) -> None:
        subprocess.run([program("openssl"), *words], cwd=folder, check=True, capture_output=True)

    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    run("req", "-x509", *key, "-keyout", "ca.key", "-out", "ca.pem", "-subj", "/CN=Archive CA",
        "-days", "2", "-addext", "keyUsage=critical,keyCertSign,cRLSign")  # fmt: skip
    (folder / "names.ext").write_text("subjectAltName=IP:127.0.0.1\n")
    for name in ("broker", "gateway"):
        run("req", *key, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}")
        run("x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-days", "2",
            "-CAcreateserial", "-out", f"{name}.pem", "-extfile", "names.ext")  # fmt: skip


def password_file(folder: Path) -> Path:
    """Users "gateway" and "reader" with PASSWORD."""
    passwords = folder / "passwords"
    passwords.touch(mode=0o600)
    for user in ("gateway", "reader"):
        subprocess.run(
            [program("mosquitto_passwd"), "-b", str(passwords), user, PASSWORD],
            check=True,
            capture_output=True,
        )
    return passwords


def secure(folder: Path, port: int) -> Broker:
    """A broker with TLS and passwords, ready to start; the folder is made."""
    folder.mkdir()
    certificates(folder)
    passwords = password_file(folder)
    (folder / "broker.conf").write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {passwords}\n"
        f"cafile {folder}/ca.pem\ncertfile {folder}/broker.pem\nkeyfile {folder}/broker.key\n"
        "user root\n"
    )
    return Broker(folder, port, tls=True)


class TimeSeries(Server):
    """A time-series server."""

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def command(self) -> list[str]:
        return [
            program("victoria-metrics"),
            f"-storageDataPath={self.folder}",
            f"-httpListenAddr=127.0.0.1:{self.port}",
            "-retentionPeriod=100y",
            "-dedup.minScrapeInterval=1ms",
            "-memory.allowedBytes=64MB",
        ]

    async def points(self, metric: str, since_ms: int = 0, **tags: str) -> dict[int, float]:
        """Points of one series by time (ms), from a time on."""
        match = ",".join(f'{key}="{value}"' for key, value in tags.items())
        async with httpx.AsyncClient(timeout=60) as client:
            await client.get(f"{self.url}/internal/force_flush")
            asked = {"match[]": f"{metric}{{{match}}}", "start": f"{since_ms / 1000:.3f}"}
            answer = await client.get(f"{self.url}/api/v1/export", params=asked)
        series = [json.loads(line) for line in answer.text.splitlines()]
        pairs = (pair for s in series for pair in zip(s["timestamps"], s["values"], strict=True))
        return dict(pairs)
