"""Notifications and summaries in the protocol library's form, made from what the board shows."""

from __future__ import annotations

from typing import Any

from bacpypes3.apdu import (
    ConfirmedCOVNotificationRequest,
    ConfirmedEventNotificationRequest,
    UnconfirmedCOVNotificationRequest,
    UnconfirmedEventNotificationRequest,
)
from bacpypes3.basetypes import (
    EventTransitionBits,
    GetEventInformationEventSummary,
    NotificationParameters,
    NotificationParametersChangeOfReliabilityType,
    NotificationParametersOutOfRange,
    PropertyValue,
    StatusFlags,
)
from bacpypes3.constructeddata import Any as AnyValue
from bacpypes3.primitivedata import ObjectIdentifier, Real

from .bacnet_board import Board, stamp
from .bacnet_codes import EventState, EventType, NotifyType
from .bacnet_events import ACK_REQUIRED, Notice, Standing
from .bacnet_objects import CLASS, PRIORITIES, PROCESS, event_enable, time_stamp

TEXT = 200
"""Longest message text, in characters: a notification must fit in one packet anywhere."""


def input_id(board: Board, index: int) -> Any:
    """The identifier of an input's object."""
    return ObjectIdentifier(("analog-input", board.instances[index]))


def event(board: Board, notice: Notice, device: Any, to: Any, *, confirmed: bool) -> Any:
    """An event notification for one recipient. device: identifier of ours; to: its address."""
    kind = ConfirmedEventNotificationRequest if confirmed else UnconfirmedEventNotificationRequest
    transition = notice.transition
    told: dict[str, Any] = {
        "processIdentifier": PROCESS,
        "initiatingDeviceIdentifier": device,
        "eventObjectIdentifier": input_id(board, notice.index),
        "timeStamp": time_stamp(stamp(notice.time, board.zone)),
        "notificationClass": CLASS,
        "priority": PRIORITIES[transition],
        "eventType": _algorithm(notice),
        "messageText": notice.message[:TEXT],
        "toState": notice.after,
        "destination": to,
    }
    if notice.kind == "acknowledgement":
        return kind(notifyType=NotifyType.ACK_NOTIFICATION, **told)
    return kind(
        notifyType=NotifyType.ALARM,
        ackRequired=ACK_REQUIRED[transition],
        fromState=notice.before,
        eventValues=_parameters(board, notice),
        **told,
    )


def _algorithm(notice: Notice) -> EventType:
    fault = EventState.FAULT in (notice.before, notice.after)
    return EventType.CHANGE_OF_RELIABILITY if fault else EventType.OUT_OF_RANGE


def _parameters(board: Board, notice: Notice) -> Any:
    flags = StatusFlags(list(board.flags_of(notice.after, notice.reliability)))
    if _algorithm(notice) is EventType.CHANGE_OF_RELIABILITY:
        return NotificationParameters(
            changeOfReliability=NotificationParametersChangeOfReliabilityType(
                reliability=notice.reliability,
                statusFlags=flags,
                propertyValues=[_property("presentValue", Real(notice.value))],
            )
        )
    return NotificationParameters(
        outOfRange=NotificationParametersOutOfRange(
            exceedingValue=notice.value,
            statusFlags=flags,
            deadband=board.inputs[notice.index].deadband,
            exceededLimit=board.limit(notice.index, notice.limit_Pa),
        )
    )


def change(
    board: Board, index: int, device: Any, to: Any, process: int, left_s: int, *, confirmed: bool
) -> Any:
    """A notification of a change of value. left_s: seconds that the subscription has left."""
    kind = ConfirmedCOVNotificationRequest if confirmed else UnconfirmedCOVNotificationRequest
    return kind(
        subscriberProcessIdentifier=process,
        initiatingDeviceIdentifier=device,
        monitoredObjectIdentifier=input_id(board, index),
        timeRemaining=left_s,
        listOfValues=[
            _property("presentValue", Real(board.value(index))),
            _property("statusFlags", StatusFlags(list(board.flags(index)))),
        ],
        destination=to,
    )


def _property(name: str, value: Any) -> Any:
    return PropertyValue(propertyIdentifier=name, value=AnyValue(value))


def summary(board: Board, index: int, standing: Standing) -> Any:
    """One entry of the answer to "what is going on?"."""
    return GetEventInformationEventSummary(
        objectIdentifier=input_id(board, index),
        eventState=standing.state,
        acknowledgedTransitions=EventTransitionBits(list(map(int, standing.acknowledged))),
        eventTimeStamps=[time_stamp(stamp(t, board.zone)) for t in standing.times],
        notifyType=NotifyType.ALARM,
        eventEnable=EventTransitionBits(event_enable(board.inputs[index])),
        eventPriorities=list(PRIORITIES),
    )
