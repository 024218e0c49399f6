"""Why there is no connection to the broker, in words: which broker, what it said, what to set."""

from __future__ import annotations

import re
import socket
import ssl

from aiomqtt.exceptions import MqttConnectError, MqttError

from gateway.settings import Settings

WHO = frozenset({0x86, 0x87})
"""Reason codes of a CONNACK about user and password (MQTT 5, 3.2.2.2); the library puts those of
MQTT 3.1.1 into them."""
OTHER_NAME = frozenset({62, 64})
"""OpenSSL's words for a name, and for an address, that the certificate does not have."""
EXPIRED = frozenset({9, 10})
"""Its words for a certificate that is not valid yet, or no more."""
SILENT = "Operation timed out"
"""The library's words for a broker that let us connect and then does not greet."""
_OF_SYSTEM = {
    socket.gaierror: "allowed for LOOPWITNESS_MQTT_HOST: a name that this machine can look up",
    ConnectionRefusedError: "allowed for LOOPWITNESS_MQTT_PORT: a port at which a broker listens",
}
_NOISE = re.compile(r"\[code:\d+\] | \(_ssl\.c:\d+\)")


def not_connected(error: MqttError, settings: Settings, last_words: str = "") -> str:
    """One line for log and pages. last_words: what the library told its log only."""
    said = "; ".join(part.rstrip(".") for part in (str(error), last_words) if part)
    remedy = _remedy(error, settings)
    words = f"{settings.mqtt_host}:{settings.mqtt_port}: {_NOISE.sub('', said)}"
    return f"{words}; {remedy}" if remedy else words


def _remedy(error: MqttError, settings: Settings) -> str:
    """What to look at, or nothing when the words say it."""
    if isinstance(error, MqttConnectError):
        return _who(settings) if getattr(error.rc, "value", error.rc) in WHO else ""
    if str(error) == SILENT and not settings.mqtt_tls:
        return "does the broker want TLS at this port (LOOPWITNESS_MQTT_TLS)?"
    # The library makes its own error of what the operating system said, and drops the kind.
    cause = error.__context__
    if isinstance(cause, ssl.SSLCertVerificationError):
        return _certificate(cause.verify_code, settings)
    if settings.mqtt_tls and isinstance(cause, (ssl.SSLError, ConnectionResetError)):
        return "does the broker speak TLS at this port (LOOPWITNESS_MQTT_PORT)?"
    return next((words for kind, words in _OF_SYSTEM.items() if isinstance(cause, kind)), "")


def _who(settings: Settings) -> str:
    who = f"as user {settings.mqtt_username}" if settings.mqtt_username else "without a user"
    return (
        f"asked {who}; allowed: LOOPWITNESS_MQTT_USERNAME and LOOPWITNESS_MQTT_PASSWORD, or a "
        "client certificate, that the broker knows"
    )


def _certificate(code: int, settings: Settings) -> str:
    if code in OTHER_NAME:
        return "allowed for LOOPWITNESS_MQTT_HOST: a name or address that is in the certificate"
    if code in EXPIRED:
        return "allowed: a certificate in its time; is the clock of this machine right?"
    known = str(settings.mqtt_ca_file or "left out, so those that this system trusts")
    return f"allowed for LOOPWITNESS_MQTT_CA_FILE: the CA that signed it; it is {known}"
