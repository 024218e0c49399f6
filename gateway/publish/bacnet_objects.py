"""The device's objects, made of the protocol library's plain classes.

Plain ones, since the library's own event reporting cannot be relied on: it mixes up priorities,
delays faults, and never clears what was acknowledged. What changes is read from the board when a
front end asks, so that a snapshot costs the same for ten inputs and for ten thousand.
"""

# ruff: noqa: SLF001 - the library takes every public name on an object for a BACnet property
from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from bacpypes3.basetypes import (
    DateTime,
    Destination,
    DeviceAddress,
    ObjectTypesSupported,
    Recipient,
    TimeStamp,
)
from bacpypes3.local.analog import AnalogInputObject
from bacpypes3.local.device import DeviceObject
from bacpypes3.local.networkport import NetworkPortObject
from bacpypes3.local.object import Object
from bacpypes3.object import NotificationClassObject
from bacpypes3.pdu import IPv4Address
from bacpypes3.primitivedata import (
    Date,
    ObjectIdentifier,
    ObjectType,
    Time,
)

from .bacnet_board import Board, Stamp, stamp, west_minutes, whole_seconds
from .bacnet_codes import UNITS, NotifyType
from .bacnet_events import ACK_REQUIRED, Standing
from .bacnet_inputs import Input, Quantity

VENDOR = 999
"""No vendor identifier has been assigned to this program; examples use this one."""
CLASS = 1
"""Number of the only notification class."""
PRIORITIES = (100, 130, 200)
"""To off-normal, to fault, to normal; below 64 is for life safety, which this is not (from
memory)."""
PROCESS = 1
"""Process identifier in notifications."""
ANSWER_MS = 3000
"""How long another device may take to answer, before a request is repeated (three times)."""
TYPES = ("analogInput", "device", "networkPort", "notificationClass")


def time_stamp(of: Stamp) -> Any:
    """A stamp in the library's form."""
    return TimeStamp(dateTime=DateTime(date=Date(of[0]), time=Time(of[1])))


def _shown(name: str, read: Callable[[Any], Any]) -> property:
    """A property that is read when a front end asks; the library's type makes its value."""

    def ignored(_self: Any, _value: Any) -> None:
        """The library sets every property once while it makes an object."""

    return property(lambda self: self._elements[name](read(self)), ignored)


def _standing(one: Any) -> Standing:
    found: Standing = one._board.events.of(one._index)
    return found


UNLISTED = frozenset({"objectIdentifier", "objectName", "objectType", "propertyList"})
"""What every object has is not in its list of properties (ASHRAE 135, 12.1.1.4.1)."""


class Listing:
    """The list of properties without those that the standard keeps out; the library has them in."""

    @property
    def propertyList(self) -> Any:  # noqa: N802 - the library's name
        """Identifiers of the properties."""
        found: Any = super().propertyList  # type: ignore[misc]  # of the library's class behind it
        return type(found)([k for k in found if k.attr not in UNLISTED])

    @propertyList.setter
    def propertyList(self, _value: Any) -> None:  # noqa: N802 - the same
        """The library sets it once while it makes an object."""


class ReadInput(Listing, AnalogInputObject):  # type: ignore[misc]  # the library is untyped
    """An analog input whose changing properties are those of the board."""

    _board: Board
    _index: int

    presentValue = _shown("presentValue", lambda one: one._board.value(one._index))
    reliability = _shown("reliability", lambda one: one._board.reliability(one._index))
    statusFlags = _shown("statusFlags", lambda one: list(one._board.flags(one._index)))
    eventState = _shown("eventState", lambda one: int(_standing(one).state))


class ReportingInput(ReadInput):
    """One that also has events."""

    ackedTransitions = _shown(
        "ackedTransitions", lambda one: list(map(int, _standing(one).acknowledged))
    )
    eventTimeStamps = _shown(
        "eventTimeStamps",
        lambda one: [time_stamp(stamp(t, one._board.zone)) for t in _standing(one).times],
    )
    eventMessageTexts = _shown("eventMessageTexts", lambda one: _standing(one).messages)


def analog_input(board: Board, index: int) -> Any:
    """The object of one input."""
    one = board.inputs[index]
    shared: dict[str, Any] = {
        "objectIdentifier": ("analog-input", board.instances[index]),
        "objectName": one.name,
        "description": one.description,
        "units": UNITS[one.unit],
        "outOfService": False,
        "covIncrement": one.cov_increment,
    }
    kind = ReportingInput if one.reports else ReadInput
    made = kind(**shared, **(_reporting(one) if one.reports else {}))
    made._board, made._index = board, index
    return made


def _reporting(one: Input) -> dict[str, Any]:
    ranged = one.quantity is Quantity.PRESSURE
    return {
        "notificationClass": CLASS,
        "highLimit": one.high,
        "lowLimit": one.low,
        "deadband": one.deadband,
        "timeDelay": whole_seconds(one.delay_s),
        "limitEnable": list(map(int, one.watched)),
        "eventEnable": event_enable(one),
        "notifyType": NotifyType.ALARM,
        "eventDetectionEnable": True,
        **({"minPresValue": one.low, "maxPresValue": one.high} if ranged else {}),
    }


def event_enable(one: Input) -> list[int]:
    """Which transitions an input reports; a transducer has no limits."""
    return [int(one.quantity is not Quantity.PRESSURE), 1, 1]


class WatchedDevice(Listing, DeviceObject):  # type: ignore[misc]  # the library is untyped
    """The device: its clock is that of the site, its list of objects that of the board."""

    _board: Board

    localDate = _shown("localDate", lambda one: stamp(time.time(), one._board.zone)[0])
    localTime = _shown("localTime", lambda one: stamp(time.time(), one._board.zone)[1])
    utcOffset = _shown("utcOffset", lambda one: west_minutes(time.time(), one._board.zone)[0])
    daylightSavingsStatus = _shown(
        "daylightSavingsStatus", lambda one: west_minutes(time.time(), one._board.zone)[1]
    )
    objectList = _shown("objectList", lambda one: _identifiers(one._app, one._board))
    protocolObjectTypesSupported = _shown("protocolObjectTypesSupported", lambda _: _types())


def _identifiers(application: Any, board: Board) -> list[Any]:
    """Every object, whether or not it has been made yet."""
    fixed = [k for k in application.objectIdentifier if k[0] != ObjectType.analogInput]
    return [*fixed, *(ObjectIdentifier(("analog-input", n)) for n in sorted(board.instances))]


def _types() -> Any:
    supported = ObjectTypesSupported([])
    for name in TYPES:
        supported[getattr(supported, name)] = 1
    return supported


def _version() -> str:
    try:
        return version("loopwitness")
    except PackageNotFoundError:
        return "0"  # run from a folder that was not installed


def device(board: Board, instance: int, name: str, description: str, revision: int) -> Any:
    """The device object."""
    made = WatchedDevice(
        objectIdentifier=("device", instance),
        objectName=name,
        description=description,
        vendorName="Loopwitness",
        vendorIdentifier=VENDOR,
        modelName="Loopwitness",
        firmwareRevision=_version(),
        applicationSoftwareVersion=_version(),
        databaseRevision=revision,
        apduTimeout=ANSWER_MS,
        location=description,
    )
    made._board = board
    return made


class NotificationClass(Listing, Object, NotificationClassObject):  # type: ignore[misc]  # untyped library
    """The list of recipients."""


def notification_class(recipients: Sequence[Any], *, confirmed: bool) -> Any:
    """The only notification class, with recipients (addresses of the library) for all times."""
    return NotificationClass(
        objectIdentifier=("notification-class", CLASS),
        objectName="alarms",
        description="Findings and limits; recipients are set on the gateway",
        notificationClass=CLASS,
        priority=list(PRIORITIES),
        ackRequired=list(map(int, ACK_REQUIRED)),
        recipientList=[
            Destination(
                validDays=[1] * 7,
                fromTime=Time((0, 0, 0, 0)),
                toTime=Time((23, 59, 59, 99)),
                recipient=Recipient(
                    address=DeviceAddress(networkNumber=0, macAddress=address.addrAddr)
                ),
                processIdentifier=PROCESS,
                issueConfirmedNotifications=confirmed,
                transitions=[1, 1, 1],
            )
            for address in recipients
        ],
    )


class Port(Listing, NetworkPortObject):  # type: ignore[misc]  # the library is untyped
    """The UDP port that the device is at."""


def network_port(address: IPv4Address) -> Any:
    """The port object; adding it to the application opens the socket."""
    return Port(address, objectIdentifier=("network-port", 1), objectName="BACnet/IP port")
