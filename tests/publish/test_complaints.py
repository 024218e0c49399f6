"""What is said of a broker that cannot be had: place, value, what is allowed."""

from __future__ import annotations

import socket
import ssl
from typing import Any

import pytest
from aiomqtt.exceptions import MqttConnectError, MqttError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from gateway.publish.broker import connection
from gateway.publish.complaints import not_connected
from gateway.publish.topics import Topics
from tests.publish.made import free_port, options


def of_system(cause: OSError) -> MqttError:
    """As the library raises it."""
    try:
        try:
            raise cause
        except OSError as error:
            raise MqttError(str(error)) from None
    except MqttError as error:
        return error


def untrusted(code: int, words: str) -> MqttError:
    cause = ssl.SSLCertVerificationError(1, f"[SSL: CERTIFICATE_VERIFY_FAILED] {words} (_ssl.c:9)")
    cause.verify_code = code
    return of_system(cause)


NO_ENTRY = ReasonCode(PacketTypes.CONNACK, "Not authorized")
OWN_CA = {"mqtt_tls": True, "mqtt_ca_file": "/ca.pem"}
CASES: list[tuple[MqttError, dict[str, Any], list[str]]] = [
    (MqttConnectError(NO_ENTRY), {"mqtt_username": "gw"}, ["Not authorized", "as user gw"]),
    (MqttConnectError(NO_ENTRY), {}, ["without a user", "LOOPWITNESS_MQTT_USERNAME"]),
    (untrusted(62, "not valid for 'b'"), {}, ["for 'b'; allowed for LOOPWITNESS_MQTT_HOST"]),
    (untrusted(10, "has expired"), {}, ["has expired; allowed: a certificate in its time"]),
    (untrusted(19, "self-signed"), OWN_CA, ["LOOPWITNESS_MQTT_CA_FILE", "it is /ca.pem"]),
    (untrusted(20, "unknown"), {}, ["LOOPWITNESS_MQTT_CA_FILE", "left out"]),
    (of_system(socket.gaierror(-2, "Name not known")), {}, ["Name not known", "MQTT_HOST"]),
    (of_system(ConnectionRefusedError(111, "refused")), {}, ["refused", "LOOPWITNESS_MQTT_PORT"]),
    (MqttError("Operation timed out"), {}, ["Operation timed out", "LOOPWITNESS_MQTT_TLS"]),
    (of_system(ConnectionResetError(104, "reset")), {"mqtt_tls": True}, ["speak TLS at this port"]),
]  # fmt: skip


@pytest.mark.parametrize(("error", "given", "words"), CASES, ids=[c[2][-1] for c in CASES])
def test_names_the_place_and_what_is_allowed(
    error: MqttError, given: dict[str, Any], words: list[str]
) -> None:
    wanted = options(mqtt_host="broker.example", mqtt_port=8883, **given)
    told = not_connected(error, wanted)
    assert told.startswith("broker.example:8883: ")
    assert not [one for one in words if one not in told]
    assert "_ssl.c" not in told
    assert "[code" not in told


def test_what_the_library_told_its_log_only_is_told() -> None:
    told = not_connected(MqttError("Operation timed out"), options(mqtt_host="b"), "reset by peer")
    assert told.startswith("b:1883: Operation timed out; reset by peer; does the broker want TLS")


async def test_the_library_still_leaves_the_cause_behind() -> None:
    # It drops what kind of error it was; only the context of its own tells.
    wanted = options(mqtt_host="127.0.0.1", mqtt_port=free_port())
    with pytest.raises(MqttError, match="LOOPWITNESS_MQTT_PORT"):
        async with connection(wanted, Topics("loopwitness", "here")):
            pass
