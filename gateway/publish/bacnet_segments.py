"""Answers that the other side accepts: long ones in pieces that fit, and a no to nonsense.

The protocol library makes a piece as long as the other side's whole packet and adds its header on
top, so that strict clients drop it; it fails when the first piece has to be repeated; and it says
nothing to a request that it cannot read. Tests compare with the library alone, and fail once this
is no longer needed.
"""

from __future__ import annotations

from typing import Any

from bacpypes3.apdu import AbortPDU, ComplexAckPDU, RejectPDU, RejectReason
from bacpypes3.appservice import (
    AWAIT_RESPONSE,
    SEGMENTED_RESPONSE,
    ApplicationServiceAccessPoint,
)

PLAIN_HEADER = 3
SEGMENT_HEADER = 5
"""Octets before the data of a complex acknowledgement, whole and in pieces."""


class FittingAnswers(ApplicationServiceAccessPoint):  # type: ignore[misc]  # untyped library
    """The application layer's access point, with room left for the header."""

    async def sap_confirmation(self, apdu: Any) -> None:
        """The application answers a request."""
        encoded = apdu.encode() if isinstance(apdu, ComplexAckPDU) else apdu
        transaction = self._transaction(encoded)
        if transaction is not None and isinstance(encoded, ComplexAckPDU):
            room = transaction.maxApduLengthAccepted
            if len(encoded.pduData) + PLAIN_HEADER > room:
                transaction.maxApduLengthAccepted = room - SEGMENT_HEADER
        await super().sap_confirmation(encoded)
        if (
            transaction is not None
            and transaction.state == SEGMENTED_RESPONSE
            and transaction.actualWindowSize is None
        ):
            transaction.actualWindowSize = 1  # until the other side says more

    async def sap_request(self, apdu: Any) -> None:
        """A request for the application; an abort without number is one that cannot be read."""
        if isinstance(apdu, AbortPDU) and apdu.apduInvokeID is None:
            for one in reversed(self.serverTransactions):
                if (one.pdu_address, one.state) == (apdu.pduSource, AWAIT_RESPONSE):
                    refusal = RejectPDU(one.invokeID, RejectReason.other)
                    refusal.pduDestination = one.pdu_address
                    await one.confirmation(refusal)
                    return
        await super().sap_request(apdu)

    def _transaction(self, apdu: Any) -> Any:
        for one in self.serverTransactions:
            if (one.invokeID, one.pdu_address) == (apdu.apduInvokeID, apdu.pduDestination):
                return one
        return None

    def stop(self) -> None:
        """Let no timer of an unfinished exchange outlive us."""
        for one in (*self.clientTransactions, *self.serverTransactions):
            one.stop_timer()
