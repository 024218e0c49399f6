"""Settings that are not about the building: paths, addresses, secrets.

Every setting is an environment variable LOOPWITNESS_<NAME>, a line in a `.env` file, or, for a
secret, a file named after it in LOOPWITNESS_SECRETS_DIR (as systemd credentials and container
secrets are). One that is there but empty counts as left out.
"""

from __future__ import annotations

from collections.abc import Callable
from difflib import get_close_matches
from ipaddress import IPv4Address, IPv4Interface
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, SecretStr, ValidationInfo
from pydantic_settings import (
    BaseSettings,
    DotEnvSettingsSource,
    EnvSettingsSource,
    SettingsConfigDict,
)

from gateway.plant.noun import Host

PREFIX = "LOOPWITNESS_"
LONGEST_DAYS = 36_525
"""A century; times before 1970 by far are more than the store can count."""
NOT_SETTINGS = {"SECRETS_DIR", "VENV", "PYTHON", "CONFIG", "SITE", "DATA"}
"""Names of the same beginning that scripts, containers and tests know."""


def _line(text: str) -> str:
    """What cannot be sent in a message or a header would fail there, again and again."""
    if not text.isprintable():
        raise ValueError("one line of text that can be printed")
    return text


def _secret(secret: SecretStr) -> SecretStr:
    _line(secret.get_secret_value())
    return secret


Line = Annotated[str, AfterValidator(_line)]
Secret = Annotated[SecretStr, AfterValidator(_secret)]


def _web_address(text: str) -> str:
    try:
        parts = urlsplit(_line(text))
        fits = parts.scheme in {"http", "https"} and bool(parts.hostname) and parts.port != 0
        (parts.hostname or "").encode("idna")
        fits = fits and " " not in text and not parts.query and not parts.fragment
    except ValueError:
        fits = False
    if text and not fits:
        raise ValueError("http:// or https://, a host, and where needed a port and a path")
    return text


def _only_witness(token: SecretStr, info: ValidationInfo) -> SecretStr:
    if token.get_secret_value() and urlsplit(info.data.get("influx_url", "")).username is not None:
        raise ValueError("a token, or a user in LOOPWITNESS_INFLUX_URL, not both")
    return token


def _network_card(text: str) -> str:
    try:
        fits = not IPv4Interface(text).ip.is_unspecified
    except ValueError:
        fits = False
    if not fits:
        raise ValueError("the IPv4 address of one network card, such as 192.0.2.10/24")
    return text


def _sockets(text: str) -> str:
    for one in filter(None, (part.strip() for part in text.split(","))):
        host, _, port = one.partition(":")
        try:
            IPv4Address(host)
            fits = 1 <= int(port) <= 65535
        except ValueError:
            fits = False
        if not fits:
            raise ValueError(f"address:port, such as 192.0.2.20:47808, commas between; not {one}")
    return text


def _no_shorter(than: str) -> Callable[[float, ValidationInfo], float]:
    """The coarser a record, the longer it stays: pages fall back on it."""

    def checked(days: float, info: ValidationInfo) -> float:
        finer = info.data.get(than)
        if finer is not None and not days >= finer:
            raise ValueError(f"at least LOOPWITNESS_{than.upper()}, which is {finer:g}")
        return days

    return checked


def _authenticated(wanted: bool, info: ValidationInfo) -> bool:  # noqa: FBT001 - pydantic calls it
    """Acknowledgements are taken only from a broker that knows its clients."""
    given = info.data
    password = given.get("mqtt_password")
    by_password = given.get("mqtt_username") and password and password.get_secret_value()
    by_certificate = given.get("mqtt_tls") and given.get("mqtt_client_cert_file")
    if wanted and not (by_password or by_certificate):
        raise ValueError(
            "false, or true together with LOOPWITNESS_MQTT_USERNAME and LOOPWITNESS_MQTT_PASSWORD, "
            "or with LOOPWITNESS_MQTT_TLS and LOOPWITNESS_MQTT_CLIENT_CERT_FILE: "
            "who acknowledges must be known to the broker"
        )
    return wanted


def _encrypted(file: Path | None, info: ValidationInfo) -> Path | None:
    """Who names a certificate means TLS: without it the password would go as it is."""
    if file is not None and not info.data.get("mqtt_tls", True):
        raise ValueError("a file together with LOOPWITNESS_MQTT_TLS=true, or left out")
    return file


def _of_client(key: Path | None, info: ValidationInfo) -> Path | None:
    """A key alone would never be used, and nobody would hear why the broker refuses."""
    if key is not None and info.data.get("mqtt_client_cert_file", key) is None:
        raise ValueError("a file together with LOOPWITNESS_MQTT_CLIENT_CERT_FILE, or left out")
    return key


def _with_certificate(key: Path | None, info: ValidationInfo) -> Path | None:
    """Both files or none."""
    if (key is None) != (info.data.get("http_tls_cert_file") is None):
        raise ValueError("both LOOPWITNESS_HTTP_TLS_CERT_FILE and LOOPWITNESS_HTTP_TLS_KEY_FILE")
    return key


class Settings(BaseSettings):
    """All settings with their defaults."""

    model_config = SettingsConfigDict(
        env_prefix=PREFIX,
        env_file=".env",
        env_ignore_empty=True,
        extra="ignore",
        use_attribute_docstrings=True,
    )

    state_dir: Path = Path("var")
    """Folder of the history file."""
    http_host: Host = "127.0.0.1"
    """Address the page listens on; 0.0.0.0 for every network card."""
    http_port: int = Field(default=8600, ge=0, le=65535)
    """Port the page listens on; 0 for any free one."""
    http_actions: bool = True
    """Let people act: signed in on the pages, or by the token in the state folder."""
    http_viewing: Literal["open", "signed-in"] = "open"
    """Who may look: open: everybody; signed-in: only people who have signed in."""
    http_idle_minutes: float = Field(default=15.0, gt=0, le=43200)
    """Minutes without a click or a key after which a person is signed out."""
    http_session_hours: float = Field(default=8.0, gt=0, le=720)
    """Hours after which a person is signed out in any case."""
    http_tls_cert_file: Path | None = None
    """Certificate for pages over TLS (PEM, with its chain); left out: not encrypted."""
    http_tls_key_file: Annotated[Path | None, AfterValidator(_with_certificate)] = Field(
        default=None, validate_default=True
    )
    """Its key (PEM, without a passphrase)."""
    log_format: Literal["auto", "text", "json"] = "auto"
    """text for people, json for a service; auto: text on a terminal."""
    log_level: Literal["debug", "info", "warning", "error"] = "info"
    """Least weight of a log line that is written."""
    keep_days: float = Field(default=90.0, gt=0, le=LONGEST_DAYS)
    """Days that every row is kept, and events for a broker that takes none."""
    keep_minutes_days: Annotated[float, AfterValidator(_no_shorter("keep_days"))] = Field(
        default=450.0, le=LONGEST_DAYS, validate_default=True
    )
    """Days that summaries of minutes are kept."""
    keep_hours_days: Annotated[float, AfterValidator(_no_shorter("keep_minutes_days"))] = Field(
        default=3650.0, le=LONGEST_DAYS, validate_default=True
    )
    """Days that summaries of hours are kept."""
    keep_journal_days: float = Field(default=0.0, ge=0, le=LONGEST_DAYS)
    """Days that findings, alarms and what people did are kept; 0: for ever."""
    archive: bool = False
    """Keep each day's rows as a Parquet file in the folder `archive` before they are removed."""

    mqtt_host: Host = ""
    """Broker; empty: no MQTT."""
    mqtt_port: int = Field(default=1883, ge=1, le=65535)
    """Port of the broker; 8883 is usual with TLS."""
    mqtt_username: Line = ""
    """User at the broker; empty: none."""
    mqtt_password: Secret = SecretStr("")
    """Its password; a secret, so best from a file."""
    mqtt_tls: bool = False
    """Encrypt the connection and check the broker's certificate."""
    mqtt_ca_file: Annotated[Path | None, AfterValidator(_encrypted)] = None
    """With TLS: CA that signed the broker's certificate; the system's own when left out."""
    mqtt_client_cert_file: Annotated[Path | None, AfterValidator(_encrypted)] = None
    """With TLS: own certificate, where the broker asks for one."""
    mqtt_client_key_file: Annotated[Path | None, AfterValidator(_of_client)] = None
    """Key of the own certificate."""
    mqtt_prefix: Line = Field(
        default="loopwitness", max_length=200, pattern=r"^[^+#/\s$][^+#/\s]*(/[^+#/\s]+)*$"
    )
    """First level of every topic."""
    mqtt_interval_s: float = Field(default=5.0, ge=0.2, le=3600)
    """Seconds between two retained states of a loop that did not change status."""
    mqtt_protocol: Literal["5", "3.1.1"] = "5"
    """MQTT version."""
    mqtt_acknowledge: Annotated[bool, AfterValidator(_authenticated)] = False
    """Take acknowledgements of alarms over MQTT; only where the gateway signs in at the broker."""

    influx_url: Annotated[str, AfterValidator(_web_address)] = ""
    """Address of a server that speaks the InfluxDB v2 write protocol; empty: none."""
    influx_org: Line = "loopwitness"
    """Organisation that the server files the points under."""
    influx_bucket: Line = "loopwitness"
    """Bucket that the server files the points under."""
    influx_token: Annotated[Secret, AfterValidator(_only_witness)] = SecretStr("")
    """Token; a secret, so best from a file."""
    influx_interval_s: float = Field(default=5.0, ge=0.2, le=3600)
    """Seconds between two batches."""
    influx_first_days: float = Field(default=1.0, ge=0, le=36_525)
    """Days of stored rows that a server, organisation or bucket gets when it is new; 0: none."""

    bacnet_enabled: bool = False
    """Be a BACnet/IP device that reports its alarms and takes acknowledgements."""
    bacnet_address: Annotated[str, AfterValidator(_network_card)] = "127.0.0.1"
    """Address of the network card; with its prefix (192.0.2.10/24) broadcasts are heard too."""
    bacnet_port: int = Field(default=47808, ge=1, le=65535)
    """UDP port of the device; 47808 is usual."""
    bacnet_device_instance: int = Field(default=1, ge=0, le=4194302)
    """Number of the device: one that nobody else on the BACnet network has."""
    bacnet_name: Line = ""
    """Name of the device, unique on the BACnet network too; the site's id when empty."""
    bacnet_recipients: Annotated[str, AfterValidator(_sockets)] = ""
    """Who is told of alarms over BACnet: address:port, commas between several."""
    bacnet_confirmed: bool = True
    """Alarms are repeated until a recipient confirms them; off: told once."""


def load() -> Settings:
    """Settings from the environment, `.env` and secret files; ValidationError if any is wrong."""
    secrets = secrets_dir()
    return Settings(_secrets_dir=secrets) if secrets else Settings()


def secrets_dir() -> str:
    """The folder of secret files, as the environment or `.env` names it; "" without one."""
    given = {**DotEnvSettingsSource(Settings).env_vars, **EnvSettingsSource(Settings).env_vars}
    return given.get(f"{PREFIX}SECRETS_DIR".lower()) or ""


def unknown() -> dict[str, str]:
    """Names in the environment, in `.env` and of secret files that look like settings and are none.

    Each with the setting that may be meant, or nothing. They are no error: where containers are
    run, names with any beginning may be put into the environment.
    """
    known = [name.upper() for name in Settings.model_fields]
    given = {**EnvSettingsSource(Settings).env_vars, **DotEnvSettingsSource(Settings).env_vars}
    files = _files()
    ours = sorted(
        n.upper().removeprefix(PREFIX) for n in {*given, *files} if n.upper().startswith(PREFIX)
    )
    return {
        PREFIX + name: "".join(PREFIX + near for near in get_close_matches(name, known, 1, 0.8))
        for name in ours
        if name not in known and name not in NOT_SETTINGS
    } | {name: PREFIX + name.upper() for name in files if name.upper() in known}


def _files() -> list[str]:
    """Names of the secret files; a folder that cannot be listed may still be read by name."""
    folder = secrets_dir()
    try:
        return sorted(file.name for file in Path(folder).iterdir()) if folder else []
    except OSError:
        return []
