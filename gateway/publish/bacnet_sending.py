"""How notifications leave: to each recipient in order, to the end, whoever else is away."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Coroutine, Sequence
from typing import Any

from bacpypes3.apdu import AbortPDU, ErrorRejectAbortNack

from .backoff import delays
from .bacnet_board import Board
from .bacnet_events import Notice
from .bacnet_messages import event
from .sink import Sink

QUEUE = 10_000
"""Events that wait for a recipient that is away; the oldest go first when there are more."""


class Sending:
    """Sends through the application; counts in the sink."""

    def __init__(self, application: Any, tasks: asyncio.TaskGroup, sink: Sink) -> None:
        self._application = application
        self._tasks = tasks
        self.sink = sink

    @property
    def device(self) -> Any:
        """Identifier of our device."""
        return self._application.device_object.objectIdentifier

    def start(self, work: Coroutine[Any, Any, None], name: str) -> None:
        """Start something that ends with the device."""
        self._tasks.create_task(work, name=name)

    def unconfirmed(self, request: Any) -> None:
        """Send without an answer."""
        self._application.request(request)
        self.sink.sent(1)

    async def confirmed(self, request: Any) -> None:
        """Send and wait; ErrorRejectAbortNack when it is refused or never answered."""
        await self._application.request(request)
        self.sink.sent(1)


class Recipients:
    """Those of the notification class. Each has its queue, and waits for nobody else."""

    def __init__(
        self, board: Board, sending: Sending, addresses: Sequence[Any], *, confirmed: bool
    ) -> None:
        self._board = board
        self._sending = sending
        self._confirmed = confirmed
        self._waiting = {address: deque[Notice](maxlen=QUEUE) for address in addresses}
        self._come = {address: asyncio.Event() for address in addresses}
        self._failing: dict[str, str] = {}
        for address in addresses:
            sending.start(self._serve(address), f"bacnet: events to {address}")

    def tell(self, notices: Sequence[Notice]) -> None:
        """Put notices into every queue."""
        if not notices:
            return
        for address, queue in self._waiting.items():
            if len(queue) + len(notices) > QUEUE:
                self._heard(address, "has been away too long: the oldest notifications are lost")
            queue.extend(notices)
            self._come[address].set()
        self._count()

    async def _serve(self, address: Any) -> None:
        queue, waits = self._waiting[address], delays()
        while True:
            await self._come[address].wait()
            while queue:
                await asyncio.sleep(0)  # many at once are nobody else's burden
                if await self._take(address, queue[0]):
                    waits = delays()
                else:
                    await asyncio.sleep(next(waits))
            self._come[address].clear()

    async def _take(self, address: Any, notice: Notice) -> bool:
        """Send one; False when it is to be sent again."""
        request = event(
            self._board, notice, self._sending.device, address, confirmed=self._confirmed
        )
        try:
            if self._confirmed:
                await self._sending.confirmed(request)
            else:
                self._sending.unconfirmed(request)
        except AbortPDU:
            self._heard(address, "does not confirm notifications")
            return False
        except ErrorRejectAbortNack as refusal:
            # It heard us and will have nothing of it: to repeat that helps nobody.
            self._heard(address, f"refuses notifications: {refusal}")
        else:
            self._heard(address, "")
        queue = self._waiting[address]
        if queue and queue[0] is notice:  # a full queue may have dropped it meanwhile
            queue.popleft()
        self._count()
        return True

    def _heard(self, address: Any, trouble: str) -> None:
        self._failing.pop(str(address), None)
        if trouble:
            self._failing[str(address)] = trouble
        sink = self._sending.sink
        if self._failing:
            words = "; ".join(f"recipient {who} {what}" for who, what in self._failing.items())
            sink.down(words)
        else:
            sink.up()

    def _count(self) -> None:
        self._sending.sink.waiting(sum(map(len, self._waiting.values())))
