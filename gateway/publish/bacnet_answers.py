"""Answers about events: what is going on, and acknowledgements."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import structlog
from bacpypes3.apdu import GetEventInformationACK, SimpleAckPDU, decode_max_apdu_length_accepted
from bacpypes3.errors import ExecutionError
from bacpypes3.primitivedata import ObjectType

from gateway.errors import LoopwitnessError

from .bacnet_alarms import AlarmSource
from .bacnet_board import Board, same, stamp
from .bacnet_codes import TRANSITION_TO, EventState, Transition
from .bacnet_events import Notice
from .bacnet_messages import summary

ENTRY_OCTETS, ANSWER_OCTETS = 75, 30
"""Size of one event summary, and of an answer without any, rounded up."""

log = structlog.get_logger(__name__)


class EventAnswers:
    """Part of the application; `response` and `get_object_id` are the library's."""

    board: Board
    alarms: AlarmSource
    tell: Callable[[list[Notice]], None]

    async def do_GetEventInformationRequest(self, apdu: Any) -> None:  # noqa: N802 - library's name
        """As many entries as fit into one packet of the one who asks, by instance number."""
        last = apdu.lastReceivedObjectIdentifier
        standing = [(self.board.instances[k], k, s) for k, s in self.board.events.standing()]
        left = sorted(entry for entry in standing if last is None or entry[0] > last[1])
        room = decode_max_apdu_length_accepted(apdu.apduMaxResp) - ANSWER_OCTETS
        fitting = max(1, room // ENTRY_OCTETS)
        answer = GetEventInformationACK(
            listOfEventSummaries=[summary(self.board, k, s) for _, k, s in left[:fitting]],
            moreEvents=len(left) > fitting,
            context=apdu,
        )
        await self.response(answer)  # type: ignore[attr-defined]  # of the library

    async def do_AcknowledgeAlarmRequest(self, apdu: Any) -> None:  # noqa: N802 - library's name
        """Acknowledge what is behind one transition of one input, then tell everyone."""
        index = self._reporting(apdu.eventObjectIdentifier)
        transition = self._transition(index, apdu)
        actor = f"{apdu.acknowledgmentSource or 'unnamed'} (BACnet {apdu.pduSource})"
        try:
            for alarm in self.board.events.to_acknowledge(index, transition):
                await self.alarms.acknowledge(alarm, actor)
        except LoopwitnessError as error:
            log.warning("acknowledgement over BACnet not recorded", reason=str(error))
            raise ExecutionError("device", "operationalProblem") from error
        self.tell(self.board.events.acknowledge(index, transition, time.time()))
        await self.response(SimpleAckPDU(context=apdu))  # type: ignore[attr-defined]  # the same

    def _reporting(self, objid: Any) -> int:
        """Index of the input that an identifier means."""
        if not self.get_object_id(objid):  # type: ignore[attr-defined]  # of the library
            raise ExecutionError("object", "unknownObject")
        index = self.board.index_of.get(objid[1])
        is_input = objid[0] == ObjectType.analogInput
        if not is_input or index is None or not self.board.inputs[index].reports:
            raise ExecutionError("object", "noAlarmConfigured")
        return index

    def _transition(self, index: int, apdu: Any) -> Transition:
        """The transition that is acknowledged: its state and its very time must fit."""
        given = int(apdu.eventStateAcknowledged)
        standing = self.board.events.of(index)
        transition = next((t for s, t in TRANSITION_TO.items() if s == given), None)
        if transition is None or given not in (standing.reached[transition], EventState.OFFNORMAL):
            raise ExecutionError("services", "invalidEventState")
        when, stamped = standing.times[transition], apdu.timeStamp.dateTime
        if when is None or stamped is None:
            raise ExecutionError("services", "invalidTimeStamp")
        if not same((tuple(stamped.date), tuple(stamped.time)), stamp(when, self.board.zone)):
            raise ExecutionError("services", "invalidTimeStamp")
        return transition
