"""Pages over TLS with a certificate made for the test; and the warning where there is none."""

from __future__ import annotations

import asyncio
import ssl
import time
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.async_api import Browser, expect
from pydantic import ValidationError
from structlog.testing import capture_logs

from gateway.errors import StartError
from gateway.settings import Settings
from gateway.terminal.client import Gateway, GatewayError, trusting
from gateway.web.door import Door
from gateway.web.tls import beyond_this_machine, context_of

from . import persons
from .archive import archive
from .certificates import certificate, with_passphrase
from .feeder import Feeder, feeding, serving
from .persons import OLIVE, PASSWORD, TOKEN

pytestmark = [pytest.mark.server, pytest.mark.slow]


def settings(cert: Path, key: Path, **more: Any) -> Settings:
    return Settings(http_port=0, http_tls_cert_file=cert, http_tls_key_file=key, **more)


def closed(feeder: Feeder) -> Door:
    """Nobody looks without signing in."""
    return persons.door(feeder.note, viewing=False)


@pytest.fixture
def feeder() -> Feeder:
    there = Feeder(archive(), interval=0.5)
    there.row(time.time() - 1)
    return there


async def test_encrypted_with_hsts_and_a_cookie_for_tls_alone(
    tmp_path: Path, feeder: Feeder
) -> None:
    cert, key = certificate(tmp_path)
    async with serving(feeder, settings=settings(cert, key)) as address:
        assert address.startswith("https://127.0.0.1:")
        trust = ssl.create_default_context(cafile=str(cert))
        async with httpx.AsyncClient(verify=trust, base_url=address, timeout=60) as client:
            answer = await client.get("/")
            assert answer.headers["strict-transport-security"] == "max-age=31536000"
            body = {"name": OLIVE, "password": PASSWORD}
            origin = {"Origin": address.rstrip("/")}
            entered = await client.post("/api/v1/session/begin", json=body, headers=origin)
            cookie = entered.headers["set-cookie"]
            assert cookie.startswith("__Host-loopwitness-tests=")
            assert "Secure" in cookie
            assert (await client.get("/api/v1/session")).json()["person"] == OLIVE
        async with httpx.AsyncClient(timeout=60) as client:
            with pytest.raises(httpx.HTTPError):
                await client.get(address.replace("https", "http"))
        old = ssl.create_default_context(cafile=str(cert))
        old.minimum_version = ssl.TLSVersion.MINIMUM_SUPPORTED
        with pytest.warns(DeprecationWarning, match="TLSv1_1"):
            old.maximum_version = ssl.TLSVersion.TLSv1_1
        async with httpx.AsyncClient(verify=old, timeout=60) as client:
            with pytest.raises(httpx.ConnectError):
                await client.get(address)


async def test_without_tls_no_hsts(feeder: Feeder) -> None:
    async with serving(feeder) as address, httpx.AsyncClient(timeout=60) as client:
        for path in ("", "api/v1/loops", "sign-in"):
            assert "strict-transport-security" not in (await client.get(address + path)).headers


async def test_in_the_browser(chromium: Browser, tmp_path: Path, feeder: Feeder) -> None:
    cert, key = certificate(tmp_path)
    async with (
        feeding(feeder),
        serving(feeder, settings=settings(cert, key), door=closed(feeder)) as address,
    ):
        context = await chromium.new_context(ignore_https_errors=True)
        try:
            page = await context.new_page()
            await page.goto(f"{address}alarms")
            await expect(page).to_have_title("Sign in · Harbour Street Archive")
            await expect(page.locator(".caution")).to_have_count(0)
            await page.get_by_label("Name").fill(OLIVE)
            await page.get_by_label("Password").fill(PASSWORD)
            await page.get_by_role("button", name="Sign in").click()
            await expect(page).to_have_url(f"{address}alarms")
            await expect(page.locator("body")).to_have_attribute("data-feed", "live")
            (cookie,) = await context.cookies()
            assert (cookie["secure"], cookie["httpOnly"]) == (True, True)
        finally:
            await context.close()


async def test_the_terminal_trusts_the_certificate_of_its_own_gateway_alone(
    tmp_path: Path, feeder: Feeder
) -> None:
    cert, key = certificate(tmp_path, host="gateway.example")
    other, _ = certificate(tmp_path, "other", host="gateway.example")
    async with serving(feeder, settings=settings(cert, key), door=closed(feeder)) as address:
        here = Gateway(address, lambda: TOKEN, trusting(cert))
        alarms = await asyncio.to_thread(here.get, "alarms")
        assert alarms == [], "looking is closed: with the token"
        for tls in (trusting(other), None):
            with pytest.raises(GatewayError, match=r"(?i)certificate"):
                await asyncio.to_thread(Gateway(address, lambda: TOKEN, tls).get, "alarms")
        with pytest.raises(GatewayError, match="not the token of this gateway"):
            await asyncio.to_thread(Gateway(address, lambda: "no", trusting(cert)).get, "alarms")


def test_files_that_cannot_be_used_are_told_by_name(tmp_path: Path) -> None:
    cert, key = certificate(tmp_path)
    _, other = certificate(tmp_path, "other")
    text = tmp_path / "text.pem"
    text.write_text("nothing of the kind", encoding="ascii")
    assert context_of(settings(cert, key))
    assert context_of(Settings()) is None
    for files, words in [
        ((tmp_path / "none.pem", key), r"none\.pem: No such file .*LOOPWITNESS_HTTP_TLS_CERT_FILE"),
        ((cert, tmp_path / "none.key"), r"none\.key: No such file .*LOOPWITNESS_HTTP_TLS_KEY_FILE"),
        ((text, key), r"text\.pem: .*; allowed: a certificate in PEM"),
        ((cert, text), r"text\.pem: .*; allowed: the key of .*here\.pem in PEM"),
        ((cert, other), r"other\.key: key values mismatch; allowed: the key of .*here\.pem"),
        ((cert, with_passphrase(key)), r"here\.locked: it asks for a passphrase; allowed: "),
    ]:
        with pytest.raises(StartError, match=words):
            context_of(settings(*files))


@pytest.mark.parametrize("one", ["http_tls_cert_file", "http_tls_key_file"])
def test_one_file_alone_is_refused(one: str, tmp_path: Path) -> None:
    with pytest.raises(ValidationError, match="both LOOPWITNESS_HTTP_TLS_CERT_FILE and"):
        Settings.model_validate({one: tmp_path / "x.pem"})


@pytest.mark.parametrize(("host", "warned"), [("0.0.0.0", True), ("127.0.0.1", False)])
async def test_beyond_this_machine_without_tls_it_warns(
    tmp_path: Path, feeder: Feeder, host: str, *, warned: bool
) -> None:
    words = "pages are open to the network and not encrypted"
    with capture_logs() as told:
        async with serving(feeder, settings=Settings(http_host=host, http_port=0)):
            pass
        cert, key = certificate(tmp_path)
        quiet = len(told)
        async with serving(feeder, settings=settings(cert, key, http_host=host)):
            pass
    said = [line["event"] for line in told[:quiet] if line["log_level"] == "warning"]
    assert [text.startswith(words) for text in said] == ([True] if warned else [])
    assert [line for line in told[quiet:] if line["log_level"] == "warning"] == []


@pytest.mark.parametrize(
    ("host", "beyond"),
    [("127.0.0.1", False), ("127.0.0.9", False), ("::1", False), ("localhost", False),
     ("0.0.0.0", True), ("::", True), ("192.0.2.1", True), ("gateway.example", True)],
)  # fmt: skip
def test_what_is_beyond_this_machine(host: str, *, beyond: bool) -> None:
    assert beyond_this_machine(host) == beyond
