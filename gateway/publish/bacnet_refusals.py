"""Everything that would change something here is refused: this program is a witness.

Creating and deleting objects, lists of recipients, restarting the device and silencing it are
services that this device does not have at all; the protocol library rejects those by itself.
"""

from __future__ import annotations

from typing import Any

from bacpypes3.apdu import WritePropertyMultipleError
from bacpypes3.basetypes import ErrorType, ObjectPropertyReference
from bacpypes3.errors import ExecutionError


class Refusals:
    """Answers of the application to requests to write."""

    async def do_WritePropertyRequest(self, apdu: Any) -> None:  # noqa: N802 - the library's name
        """Denied, or unknown."""
        kind, code = self._refusal(apdu.objectIdentifier, apdu.propertyIdentifier)
        raise ExecutionError(errorClass=kind, errorCode=code)

    async def do_WritePropertyMultipleRequest(self, apdu: Any) -> None:  # noqa: N802 - the same
        """Denied at the first property."""
        wanted = apdu.listOfWriteAccessSpecs[0]
        first = wanted.listOfProperties[0].propertyIdentifier
        kind, code = self._refusal(wanted.objectIdentifier, first)
        refused = WritePropertyMultipleError(
            errorType=ErrorType(errorClass=kind, errorCode=code),
            firstFailedWriteAttempt=ObjectPropertyReference(
                objectIdentifier=wanted.objectIdentifier, propertyIdentifier=first
            ),
            context=apdu,
        )
        await self.response(refused)  # type: ignore[attr-defined]  # of the application

    def _refusal(self, object_identifier: Any, property_identifier: Any) -> tuple[str, str]:
        found = self.get_object_id(object_identifier)  # type: ignore[attr-defined]  # the same
        if not found:
            return "object", "unknownObject"
        if getattr(found, property_identifier.attr, None) is None:
            return "property", "unknownProperty"
        return "property", "writeAccessDenied"
