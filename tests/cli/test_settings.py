"""Settings with odd values: told with name, value and what is allowed, and never with a secret."""

from __future__ import annotations

import builtins
import errno
from pathlib import Path
from typing import Any

import pytest
import structlog
from structlog.testing import capture_logs

from gateway import logs, process
from gateway.errors import StartError
from gateway.settings import Settings


@pytest.fixture(autouse=True)
def _alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No settings but those of the test, and logging as it was."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(logs, "configure", lambda *_: None)


HOST = "a host name or an address, without scheme, brackets or port"
ADDRESS = "http:// or https://, a host, and where needed a port and a path"
LINE = "one line of text that can be printed"
CARD = "the IPv4 address of one network card, such as 192.0.2.10/24"
DAYS = "a number up to 36525"
SOCKETS = "address:port, such as 192.0.2.20:47808, commas between"
LEVELS = "levels with / between, without + # and blanks, not starting with $"


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("HTTP_HOST", "[::1]", f'"[::1]"; allowed: {HOST}'),
        ("MQTT_HOST", "mqtt://broker", f'"mqtt://broker"; allowed: {HOST}'),
        ("MQTT_HOST", "broker:1883", f'"broker:1883"; allowed: {HOST}'),
        ("MQTT_HOST", "a..b", f'"a..b"; allowed: {HOST}'),
        ("MQTT_HOST", 64 * "x", f'"{64 * "x"}"; allowed: {HOST}'),
        ("MQTT_HOST", "bro\udcff", f'"bro?"; allowed: {HOST}'),
        ("MQTT_USERNAME", "a\udcff", f'"a?"; allowed: {LINE}'),
        ("MQTT_PASSWORD", "hunter2\udcff", f"(hidden); allowed: {LINE}"),
        ("MQTT_PREFIX", "$SYS", f'"$SYS"; allowed: {LEVELS}'),
        ("INFLUX_URL", "series:8428", f'"series:8428"; allowed: {ADDRESS}'),
        ("INFLUX_URL", "http://", f'"http://"; allowed: {ADDRESS}'),
        ("INFLUX_URL", "http://a..b", f'"http://a..b"; allowed: {ADDRESS}'),
        ("INFLUX_URL", "http://s:99999", f'"http://s:99999"; allowed: {ADDRESS}'),
        ("INFLUX_URL", "http://s/?db=x", f'"http://s/?db=x"; allowed: {ADDRESS}'),
        ("INFLUX_URL", "ftp://u:hunter2@s", f'"ftp://u:(hidden)@s"; allowed: {ADDRESS}'),
        ("INFLUX_URL", "http://u:hunter2@[no", f'"http://u:(hidden)@[no"; allowed: {ADDRESS}'),
        ("INFLUX_TOKEN", "hunter2\nX-More: 1", f"(hidden); allowed: {LINE}"),
        ("BACNET_ADDRESS", "::1", f'"::1"; allowed: {CARD}'),
        ("BACNET_ADDRESS", "0.0.0.0", f'"0.0.0.0"; allowed: {CARD}'),
        (
            "BACNET_DEVICE_INSTANCE",
            "4194303",
            '"4194303"; allowed: a whole number from 0 to 4194302',
        ),
        ("BACNET_NAME", "a\tb", rf'"a\tb"; allowed: {LINE}'),
        ("KEEP_HOURS_DAYS", "1e300", f'"1e300"; allowed: {DAYS}'),
        ("KEEP_JOURNAL_DAYS", "inf", '"inf"; allowed: a number from 0 to 36525'),
        (
            "BACNET_RECIPIENTS",
            "192.0.2.1:47808, b",
            f'"192.0.2.1:47808, b"; allowed: {SOCKETS}; not b',
        ),
    ],
)
def test_odd_values_are_told(
    monkeypatch: pytest.MonkeyPatch, name: str, value: str, said: str
) -> None:
    monkeypatch.setenv(f"LOOPWITNESS_{name}", value)
    with pytest.raises(StartError) as caught:
        process.settings()
    assert str(caught.value) == f"1 wrong setting(s)\n  LOOPWITNESS_{name}: {said}"


def test_a_server_with_user_and_token_takes_neither(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOOPWITNESS_INFLUX_URL", "http://u:p@series:8428")
    assert process.settings().influx_url == "http://u:p@series:8428"
    monkeypatch.setenv("LOOPWITNESS_INFLUX_TOKEN", "hunter2")
    with pytest.raises(StartError, match=r"TOKEN: \(hidden\); allowed: a token, or a user in"):
        process.settings()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("HTTP_HOST", "::"),
        ("HTTP_HOST", "fe80::1%eth0"),
        ("MQTT_HOST", "my_broker.example."),
        ("MQTT_HOST", "bücher.example"),
        ("INFLUX_URL", "https://[2001:db8::1]:8086/below"),
        ("INFLUX_ORG", "Häuser & Höfe"),
        ("MQTT_PREFIX", "plant/$room"),
    ],
)
def test_rare_but_good_values(monkeypatch: pytest.MonkeyPatch, name: str, value: str) -> None:
    monkeypatch.setenv(f"LOOPWITNESS_{name}", value)
    assert getattr(process.settings(), name.lower()) == value


def test_an_empty_setting_counts_as_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Compose files pass on what is not set; an empty host would be every network card."""
    for name in Settings.model_fields:
        monkeypatch.setenv(f"LOOPWITNESS_{name.upper()}", "")
    left_out = {name: field.default for name, field in Settings.model_fields.items()}
    assert process.settings().model_dump() == left_out


def test_names_that_are_no_setting_are_told(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("LOOPWITNESS_HTTP_ACTION", "false")
    monkeypatch.setenv("LOOPWITNESS_SERVICE_PORT_8600_TCP", "tcp://192.0.2.1:8600")
    monkeypatch.setenv("LOOPWITNESS_VENV", "/opt/x")
    monkeypatch.setattr(process, "log", structlog.get_logger())
    (tmp_path / ".env").write_text("LOOPWITNESS_MQTT_HSOT=broker\nOTHER=1\n")
    with capture_logs() as said:
        process.settings()
    assert [(one["event"], one["name"], one["meant"]) for one in said] == [
        ("no such setting", "LOOPWITNESS_HTTP_ACTION", "LOOPWITNESS_HTTP_ACTIONS"),
        ("no such setting", "LOOPWITNESS_MQTT_HSOT", "LOOPWITNESS_MQTT_HOST"),
        ("no such setting", "LOOPWITNESS_SERVICE_PORT_8600_TCP", None),
    ]


def test_secret_files_that_are_no_setting_are_told(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Without its beginning, or misspelt, a password would be left out and nobody know why."""
    folder = tmp_path / "secrets"
    folder.mkdir()
    for name in ("mqtt_password", "loopwitness_influx_tokn", "loopwitness_influx_org", "other"):
        (folder / name).write_text("hunter2")
    monkeypatch.setenv("LOOPWITNESS_SECRETS_DIR", str(folder))
    monkeypatch.setattr(process, "log", structlog.get_logger())
    with capture_logs() as said:
        assert process.settings().influx_org == "hunter2"
    assert [(one["name"], one["meant"]) for one in said] == [
        ("LOOPWITNESS_INFLUX_TOKN", "LOOPWITNESS_INFLUX_TOKEN"),
        ("mqtt_password", "LOOPWITNESS_MQTT_PASSWORD"),
    ]


def test_the_folder_of_secrets_may_be_named_in_the_env_file(tmp_path: Path) -> None:
    (tmp_path / "secrets").mkdir()
    (tmp_path / "secrets" / "loopwitness_mqtt_password").write_text("hunter2\n")
    (tmp_path / ".env").write_text("LOOPWITNESS_SECRETS_DIR=secrets\n")
    assert process.settings().mqtt_password.get_secret_value() == "hunter2"


@pytest.mark.parametrize("name", [".env", "secrets/loopwitness_mqtt_password"])
def test_a_file_that_may_not_be_read_is_named(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, name: str
) -> None:
    """As where a command runs as the service's user in a folder of root's."""
    (tmp_path / "secrets").mkdir()
    (tmp_path / name).write_text("hunter2")
    monkeypatch.setenv("LOOPWITNESS_SECRETS_DIR", "secrets")
    real = Path.open

    def refused(self: Path, *args: Any, **more: Any) -> Any:
        if self.name == Path(name).name:
            raise PermissionError(errno.EACCES, "Permission denied", str(self))
        return real(self, *args, **more)

    monkeypatch.setattr(Path, "open", refused)
    monkeypatch.setattr(builtins, "open", lambda file, *a, **m: refused(Path(file), *a, **m))
    with pytest.raises(StartError) as caught:
        process.settings()
    assert str(caught.value) == (
        f"settings cannot be read: {tmp_path / name}: Permission denied; "
        "allowed: a file that this user may read, in a folder that it may enter"
    )


def test_the_key_of_a_client_needs_its_certificate(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOOPWITNESS_MQTT_TLS", "true")
    monkeypatch.setenv("LOOPWITNESS_MQTT_CLIENT_KEY_FILE", "client.key")
    with pytest.raises(StartError, match=r"KEY_FILE: .*a file together with LOOPWITNESS_MQTT_CL"):
        process.settings()
    monkeypatch.setenv("LOOPWITNESS_MQTT_CLIENT_CERT_FILE", "client.pem")
    assert process.settings().mqtt_client_key_file == Path("client.key")
