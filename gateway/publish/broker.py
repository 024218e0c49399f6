"""One connection to the MQTT broker: who we are, the last will, giving up on silence, refusals."""

from __future__ import annotations

import asyncio
import logging
import socket
import ssl
from collections.abc import AsyncIterator, Generator, Sequence
from contextlib import asynccontextmanager, contextmanager, suppress
from typing import Any, TypeVar

import aiomqtt
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from gateway.settings import Settings

from . import payloads
from .complaints import not_connected
from .sizes import Sizes
from .topics import Topics

TIMEOUT_S = 10.0
"""Longest wait for any answer of the broker."""
FAREWELL_S = 2.0
"""Longest wait for it at the end."""
KEEPALIVE_S = 15
IN_FLIGHT = 100
"""Messages on their way that the broker has not confirmed, unless it names fewer."""
AT_ONCE = (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
"""An event goes out when it is ready, not when the broker has answered what went before."""

PROTOCOLS = {"5": aiomqtt.ProtocolVersion.V5, "3.1.1": aiomqtt.ProtocolVersion.V311}

T = TypeVar("T")


FAULTY = frozenset({0x90, 0x95, 0x99})
"""Reason codes that blame the message: topic name invalid, packet too large, payload format
invalid (MQTT 5, 3.4.2.1 and 3.14.2.1); every other one may pass."""


class MessageRefusedError(aiomqtt.MqttError):
    """The broker does not want the message; only MQTT 5 lets it say so.

    faulty: it will never want it, the message is to blame.
    """

    def __init__(self, reason: str, *, faulty: bool = False) -> None:
        super().__init__(reason)
        self.faulty = faulty


class Client(aiomqtt.Client):
    """A client whose `publish` raises MessageRefusedError when the broker refuses the message.

    The library throws the broker's reason away, and takes a refused message for a delivered one.
    """

    def __init__(self, *given: Any, sizes: Sizes, **named: Any) -> None:
        super().__init__(*given, **named)
        self._refused: dict[int, ReasonCode] = {}
        self._sizes = sizes
        self.in_flight = IN_FLIGHT
        """Messages that may be on their way at once."""

    @property
    def speaks_5(self) -> bool:
        """Whether it speaks MQTT 5, not 3.1.1."""
        return self._client.protocol == MQTTProtocolVersion.MQTTv5

    async def publish(  # the parent's signature
        self, topic: str, payload: Any = None, *given: Any, **named: Any
    ) -> None:
        """As the parent's; raises MessageRefusedError as well, also for what is too large."""
        size = len(topic.encode()) + len(str(payload or "").encode())
        if refusal := self._sizes.refusal(size):
            raise MessageRefusedError(refusal, faulty=True)
        refused: MessageRefusedError | None = None
        with self._sizes.sending(size):
            try:
                await super().publish(topic, payload, *given, **named)
            except MessageRefusedError as error:
                refused = error
        if refused:
            raise refused

    def _on_connect(
        self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None
    ) -> None:
        self._sizes.connected(getattr(properties, "MaximumPacketSize", None))
        self._narrow(getattr(properties, "ReceiveMaximum", IN_FLIGHT))
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _narrow(self, most: int) -> None:
        """No more at once than the broker takes: it ends the connection over one more.

        Both libraries leave this to us (MQTT 5, 3.2.2.3.3 and 3.3.4). One holds calls back, the
        other what calls that were given up have left behind.
        """
        self.in_flight = min(IN_FLIGHT, most)
        self._outgoing_calls_sem = asyncio.Semaphore(self.in_flight)
        self._client._max_inflight_messages = self.in_flight  # noqa: SLF001 - see above

    def _on_publish(
        self, client: Any, userdata: Any, mid: int, reason_code: ReasonCode, properties: Any
    ) -> None:
        if reason_code.is_failure:
            self._refused[mid] = reason_code
        super()._on_publish(client, userdata, mid, reason_code, properties)

    @contextmanager
    def _pending_call(self, mid: int, value: T, pending_dict: dict[int, T]) -> Generator[None]:
        self._refused.pop(mid, None)
        with super()._pending_call(mid, value, pending_dict):
            yield
        if mid in self._refused:
            code = self._refused.pop(mid)
            raise MessageRefusedError(str(code), faulty=code.value in FAULTY)


async def subscribe(client: Client, topics: Sequence[str], *, retained: bool = True) -> str:
    """Subscribe at QoS 1; why the broker refuses, or nothing.

    Our own messages do not come back, and retained ones come only when wanted; a broker that
    speaks MQTT 3.1.1 knows neither wish.
    """
    if client.speaks_5:
        wish = SubscribeOptions.RETAIN_SEND_ON_SUBSCRIBE
        if not retained:
            wish = SubscribeOptions.RETAIN_DO_NOT_SEND
        options = SubscribeOptions(1, noLocal=True, retainHandling=wish)
        codes = await client.subscribe([(topic, options) for topic in topics])
    else:
        codes = await client.subscribe([(topic, 1) for topic in topics])
    bad = [str(c) for c in codes if (c.is_failure if isinstance(c, ReasonCode) else c >= 0x80)]
    return ", ".join(dict.fromkeys(bad))


@asynccontextmanager
async def connection(
    settings: Settings, topics: Topics, sizes: Sizes | None = None
) -> AsyncIterator[Client]:
    """A connected client; MqttError or OSError when there is none to be had.

    sizes: what is known of the broker from earlier connections. A client is used for one
    connection only: what was queued in it is lost with it.
    """
    heard = LastWords()
    client = await _client(settings, topics, heard, sizes or Sizes())
    entering = asyncio.create_task(client.__aenter__(), name="mqtt: connect")
    try:
        # The library connects in a thread: let it finish, or its socket would stay open.
        await asyncio.shield(entering)
    except aiomqtt.MqttError as error:
        await _abandon(client, entering)
        raise aiomqtt.MqttError(not_connected(error, settings, heard.text)) from None
    except BaseException:
        await _abandon(client, entering)
        raise
    try:
        yield client
    finally:
        client.timeout = FAREWELL_S
        try:
            await client.__aexit__(None, None, None)
        except aiomqtt.MqttError:
            _drop(client)


class LastWords(logging.Handler):
    """Keeps why a connection broke: the library tells it to its log only."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.text = ""
        # Not in the tree of loggers: nobody else is to find it.
        self.logger = logging.Logger("mqtt connection", logging.ERROR)  # noqa: LOG001 - above
        self.logger.addHandler(self)

    def emit(self, record: logging.LogRecord) -> None:
        self.text = record.getMessage()


async def _client(settings: Settings, topics: Topics, heard: LastWords, sizes: Sizes) -> Client:
    context = await asyncio.to_thread(tls_context, settings) if settings.mqtt_tls else None
    password = settings.mqtt_password.get_secret_value()
    client = Client(
        settings.mqtt_host,
        settings.mqtt_port,
        sizes=sizes,
        username=settings.mqtt_username or None,
        password=password or None,
        # Always the same name: the broker then ends a dead older connection of ours at once,
        # and its last will cannot come after our birth.
        identifier=f"{topics.prefix}-{topics.site}",
        protocol=PROTOCOLS[settings.mqtt_protocol],
        will=aiomqtt.Will(
            topics.status, payloads.status("offline", "connection lost"), qos=1, retain=True
        ),
        timeout=TIMEOUT_S,
        keepalive=KEEPALIVE_S,
        max_inflight_messages=IN_FLIGHT,
        max_concurrent_outgoing_calls=IN_FLIGHT,
        tls_context=context,
        socket_options=(AT_ONCE,),
        logger=heard.logger,
    )
    client.pending_calls_threshold = IN_FLIGHT
    return client


def tls_context(settings: Settings) -> ssl.SSLContext:
    """TLS as the settings want it; OSError that names the setting when a file is of no use."""
    try:
        context = ssl.create_default_context(cafile=settings.mqtt_ca_file)
    except OSError as error:
        raise OSError(f"LOOPWITNESS_MQTT_CA_FILE {settings.mqtt_ca_file}: {error}") from error
    if settings.mqtt_client_cert_file is not None:
        try:
            context.load_cert_chain(
                settings.mqtt_client_cert_file,
                settings.mqtt_client_key_file,
                password=_no_passphrase,
            )
        except OSError as error:
            raise OSError(
                f"LOOPWITNESS_MQTT_CLIENT_CERT_FILE {settings.mqtt_client_cert_file}, "
                f"LOOPWITNESS_MQTT_CLIENT_KEY_FILE {settings.mqtt_client_key_file}: {error}"
            ) from error
    return context


def _no_passphrase() -> str:
    # Without this the library would ask for one on the terminal.
    raise OSError("the key has a passphrase; allowed: a key without one")


async def _abandon(client: Client, entering: asyncio.Task[aiomqtt.Client]) -> None:
    """Leave nothing behind of a connection that did not come about, or is not wanted any more."""
    if not entering.done():
        await asyncio.wait({entering}, timeout=FAREWELL_S)
        entering.cancel()
        with suppress(asyncio.CancelledError, aiomqtt.MqttError):
            await entering
    elif not entering.cancelled():
        entering.exception()
    _drop(client)


def _drop(client: Client) -> None:
    """Close the socket of a broker that does not answer.

    The library has no way to: leaving it waits for an answer, then leaves socket and task behind.
    """
    client._client._sock_close()  # noqa: SLF001 - see above
