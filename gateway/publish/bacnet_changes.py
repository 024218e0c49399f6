"""Subscriptions to changes, and the notifications they bring."""

from __future__ import annotations

import asyncio
from math import inf
from typing import Any

from bacpypes3.apdu import ErrorRejectAbortNack, SimpleAckPDU
from bacpypes3.basetypes import (
    COVSubscription,
    DeviceAddress,
    ListOfCOVSubscription,
    ObjectPropertyReference,
    Recipient,
    RecipientProcess,
)
from bacpypes3.errors import ExecutionError
from bacpypes3.primitivedata import ObjectType

from .bacnet_board import Board
from .bacnet_messages import change, input_id
from .bacnet_sending import Sending
from .bacnet_subscriptions import LOST, Subscription, Subscriptions, is_due, shown


class ChangeAnswers:
    """Part of the application; `response` and `get_object_id` are the library's."""

    board: Board
    sending: Sending
    subscriptions: Subscriptions

    async def do_SubscribeCOVRequest(self, apdu: Any) -> None:  # noqa: N802 - library's name
        """Begin, renew or end a subscription; a begun one is told at once."""
        objid = apdu.monitoredObjectIdentifier
        ends = apdu.issueConfirmedNotifications is None and apdu.lifetime is None
        index = self.board.index_of.get(objid[1])
        if objid[0] != ObjectType.analogInput or index is None:
            known = self.get_object_id(objid)  # type: ignore[attr-defined]  # of the library
            if not ends and not known:
                raise ExecutionError("object", "unknownObject")
            if not ends:
                raise ExecutionError("object", "optionalFunctionalityNotSupported")
            index = -1
        key = (apdu.pduSource, int(apdu.subscriberProcessIdentifier), index)
        begun = None
        if ends:
            self.subscriptions.cancel(*key)
        else:
            now = asyncio.get_running_loop().time()
            until = now + apdu.lifetime if apdu.lifetime else inf
            confirmed = bool(apdu.issueConfirmedNotifications)
            begun = self.subscriptions.add(*key, confirmed=confirmed, until=until)
            if begun is None:
                raise ExecutionError("resources", "noSpaceToAddListElement")
        await self.response(SimpleAckPDU(context=apdu))  # type: ignore[attr-defined]  # the same
        if begun is not None and not begun.busy:
            self._tell(begun)

    def get_active_cov_subscriptions(self) -> Any:
        """Of the device's property of that name."""
        now = asyncio.get_running_loop().time()
        return ListOfCOVSubscription([self._listed(one, now) for one in self.subscriptions])

    def _listed(self, one: Subscription, now: float) -> Any:
        where = DeviceAddress(
            networkNumber=one.address.addrNet or 0, macAddress=one.address.addrAddr
        )
        return COVSubscription(
            recipient=RecipientProcess(
                recipient=Recipient(address=where), processIdentifier=one.process
            ),
            monitoredPropertyReference=ObjectPropertyReference(
                objectIdentifier=input_id(self.board, one.index),
                propertyIdentifier="presentValue",
            ),
            issueConfirmedNotifications=one.confirmed,
            timeRemaining=one.left_s(now),
            covIncrement=self.board.inputs[one.index].cov_increment,
        )

    async def tell_changes(self) -> None:
        """Tell subscribers what has changed enough."""
        for one in self.subscriptions.due(self.board, asyncio.get_running_loop().time()):
            self._tell(one)
            await asyncio.sleep(0)  # many at once are nobody else's burden

    def _tell(self, one: Subscription) -> None:
        if one.confirmed:
            one.busy = True
            self.sending.start(self._confirmed(one), f"bacnet: changes to {one.address}")
        else:
            self.sending.unconfirmed(self._change(one))

    async def _confirmed(self, one: Subscription) -> None:
        """Tell one subscriber until it knows how things are now."""
        try:
            while one in self.subscriptions and is_due(self.board, one):
                await self.sending.confirmed(self._change(one))
                one.lost = 0
        except ErrorRejectAbortNack:
            one.lost += 1
            one.told = None  # it does not know, so it is due again at the next snapshot
            if one.lost >= LOST:
                self.subscriptions.drop(one)
        finally:
            one.busy = False

    def _change(self, one: Subscription) -> Any:
        one.told = shown(self.board, one.index)
        left_s = one.left_s(asyncio.get_running_loop().time())
        return change(
            self.board, one.index, self.sending.device, one.address, one.process, left_s,
            confirmed=one.confirmed,
        )  # fmt: skip
