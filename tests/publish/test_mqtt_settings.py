"""Acknowledgements over MQTT need a connection that is authenticated."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from gateway.errors import StartError
from gateway.process import settings
from tests.publish.made import options

PASSWORD = "hunter-green"  # noqa: S105 - of these tests only


def test_off_as_shipped() -> None:
    assert options().mqtt_acknowledge is False
    assert options(mqtt_acknowledge=False).mqtt_acknowledge is False


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"mqtt_username": "gateway"},
        {"mqtt_password": PASSWORD},
        {"mqtt_tls": True},
        {"mqtt_client_cert_file": Path("a.pem")},
        {"mqtt_tls": True, "mqtt_ca_file": Path("ca.pem")},
    ],
)
def test_refused_when_anybody_may_connect(given: dict[str, Any]) -> None:
    with pytest.raises(ValidationError, match="must be known to the broker"):
        options(mqtt_host="127.0.0.1", mqtt_acknowledge=True, **given)


@pytest.mark.parametrize(
    "given",
    [
        {"mqtt_username": "gateway", "mqtt_password": PASSWORD},
        {"mqtt_tls": True, "mqtt_client_cert_file": Path("a.pem")},
    ],
)
def test_taken_with_password_or_certificate(given: dict[str, Any]) -> None:
    assert options(mqtt_host="127.0.0.1", mqtt_acknowledge=True, **given).mqtt_acknowledge


@pytest.mark.parametrize("name", ["mqtt_ca_file", "mqtt_client_cert_file"])
def test_a_certificate_without_tls_is_a_mistake(name: str) -> None:
    # Nothing would be encrypted, the password included, and nobody would be told.
    with pytest.raises(ValidationError, match="together with LOOPWITNESS_MQTT_TLS=true"):
        options(mqtt_host="127.0.0.1", **{name: Path("a.pem")})
    assert getattr(options(mqtt_tls=True, **{name: Path("a.pem")}), name) == Path("a.pem")


def test_a_start_says_what_is_missing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LOOPWITNESS_MQTT_ACKNOWLEDGE", "true")
    with pytest.raises(StartError, match="LOOPWITNESS_MQTT_ACKNOWLEDGE") as told:
        settings()
    assert "LOOPWITNESS_MQTT_PASSWORD" in str(told.value)
