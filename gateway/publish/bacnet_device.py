"""The BACnet/IP device: the application that answers front ends, and what runs beside it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from ipaddress import IPv4Interface
from typing import Any

from bacpypes3.app import Application
from bacpypes3.basetypes import ServicesSupported
from bacpypes3.comm import bind
from bacpypes3.netservice import NetworkServiceAccessPoint, NetworkServiceElement
from bacpypes3.pdu import IPv4Address
from bacpypes3.primitivedata import ObjectIdentifier, ObjectType

from gateway.errors import StartError
from gateway.plant.site import Site
from gateway.settings import Settings

from .bacnet_alarms import AlarmSource
from .bacnet_answers import EventAnswers
from .bacnet_board import Board
from .bacnet_changes import ChangeAnswers
from .bacnet_objects import analog_input, device, notification_class
from .bacnet_port import claim, opened
from .bacnet_refusals import Refusals
from .bacnet_segments import FittingAnswers
from .bacnet_sending import Recipients, Sending
from .bacnet_subscriptions import Subscriptions
from .sink import Sink

SERVICES = (
    "acknowledgeAlarm", "getEventInformation", "subscribeCOV", "readProperty",
    "readPropertyMultiple", "readRange", "writeProperty", "writePropertyMultiple",
    "whoHas", "whoIs",
)  # fmt: skip
"""What is answered; writing is answered with a refusal."""
ANY_DEVICE = 4194303
"""Instance that means whatever device is asked (ASHRAE 135, 15.5.2)."""


class WitnessApplication(Refusals, EventAnswers, ChangeAnswers, Application):  # type: ignore[misc]  # untyped library
    """Answers front ends. Objects of inputs are made when they are first asked for."""

    def __init__(self, board: Board, alarms: AlarmSource, objects: Sequence[Any]) -> None:
        """objects: all but the inputs and the port, the device first."""
        Application.__init__(self)
        self.board, self.alarms = board, alarms
        self.subscriptions = Subscriptions()
        self.asap = FittingAnswers(objects[0], self.device_info_cache)
        self.nsap = NetworkServiceAccessPoint()
        self.nse = NetworkServiceElement()
        bind(self.nse, self.nsap)
        bind(self, self.asap, self.nsap)
        for one in objects:
            self.add_object(one)

    def get_object_id(self, objid: Any) -> Any:
        """The object of an identifier, or None."""
        found = self.objectIdentifier.get(objid)
        if found is None and objid[0] == ObjectType.analogInput:
            index = self.board.index_of.get(objid[1])
            if index is not None:
                found = analog_input(self.board, index)
                self.add_object(found)
        return found

    async def do_ReadPropertyRequest(self, apdu: Any) -> None:  # noqa: N802 - the library's name
        """As the library answers; who does not know our number may ask for any device's."""
        apdu.objectIdentifier = self._meant(apdu.objectIdentifier)
        await super().do_ReadPropertyRequest(apdu)

    async def do_ReadPropertyMultipleRequest(self, apdu: Any) -> None:  # noqa: N802 - the same
        """The same for several."""
        for wanted in apdu.listOfReadAccessSpecs:
            wanted.objectIdentifier = self._meant(wanted.objectIdentifier)
        await super().do_ReadPropertyMultipleRequest(apdu)

    def _meant(self, objid: Any) -> Any:
        # The library means to do this, but compares a number with a word.
        is_any = objid[0] == ObjectType.device and objid[1] == ANY_DEVICE
        return self.device_object.objectIdentifier if is_any else objid

    def get_services_supported(self) -> Any:
        """Of the device's property of that name."""
        supported = ServicesSupported([])
        for name in SERVICES:
            supported[getattr(supported, name)] = 1
        return supported

    async def do_WhoHasRequest(self, apdu: Any) -> None:  # noqa: N802 - the library's name
        """Objects may be asked for before they have been made."""
        wanted = apdu.object
        if wanted.objectIdentifier is not None:
            self.get_object_id(wanted.objectIdentifier)
        index = self.board.named.get(str(wanted.objectName))
        if index is not None:
            self.get_object_id(ObjectIdentifier(("analog-input", self.board.instances[index])))
        await super().do_WhoHasRequest(apdu)


@asynccontextmanager
async def serving(
    site: Site, board: Board, alarms: AlarmSource, settings: Settings, revision: int, sink: Sink
) -> AsyncIterator[WitnessApplication]:
    """The device on the network, until the block ends; StartError when its port is not to be had.

    Its `tell` takes notices for the recipients, its `tell_changes` looks for changes.
    """
    address = claim(IPv4Interface(settings.bacnet_address), settings.bacnet_port)
    recipients = [_recipient(one, address) for one in _listed(settings.bacnet_recipients)]
    name = settings.bacnet_name or site.site.id
    description = site.site.name or site.site.id
    confirmed = settings.bacnet_confirmed
    objects = [
        device(board, settings.bacnet_device_instance, name, description, revision),
        notification_class(recipients, confirmed=confirmed),
    ]
    application = WitnessApplication(board, alarms, objects)
    async with asyncio.TaskGroup() as tasks:
        application.sending = Sending(application, tasks, sink)
        told = Recipients(board, application.sending, recipients, confirmed=confirmed)
        application.tell = told.tell
        async with opened(application, address):
            yield application


def _listed(text: str) -> list[str]:
    return [part.strip() for part in text.split(",") if part.strip()]


def _recipient(text: str, own: IPv4Address) -> IPv4Address:
    address = IPv4Address(text)
    host, port = address.addrTuple
    loops_back = host.startswith("127.") and port == own.addrPort
    if loops_back or address.addrTuple == own.addrTuple:
        raise StartError(
            f"BACnet: recipient {text} is the gateway's own port; give another program its own"
        )
    return address
