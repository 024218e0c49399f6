"""The gateway's alarms as the BACnet side looks at them."""

from __future__ import annotations

from collections.abc import Iterator

from gateway.alarm import actions
from gateway.alarm.machine import Standing
from gateway.alarm.states import State
from gateway.annunciator import Annunciator

from .bacnet_alarms import AlarmState, Terms

BY_PERSON = frozenset({State.SHELVED, State.OUT_OF_SERVICE})


class GatewayAlarms:
    """An `AlarmSource` over the alarms of the running gateway."""

    def __init__(self, alarms: Annunciator) -> None:
        self._alarms = alarms

    def states(self) -> Iterator[AlarmState]:
        """Every alarm that is not at rest, hidden ones too."""
        return map(state_of, self._alarms.standing)

    def terms(self, loop: str) -> Terms:
        """How a loop's limits are watched; no band and no delay where it has none. KeyError."""
        for d in self._alarms.definitions.on("loop", loop):
            if d.limit is not None:
                return Terms(d.limit.deadband_Pa, d.on_delay_s)
        return Terms(0.0, 0.0)

    async def acknowledge(self, alarm_id: str, actor: str) -> None:
        """See `AlarmSource`."""
        memory = self._alarms.of(alarm_id).memory
        if memory.acknowledged or memory.state is State.NORMAL:
            # Somebody was quicker, perhaps this very moment: it counts once that is on disk.
            await self._alarms.recorded()
        else:
            await self._alarms.act(actions.acknowledge(alarm_id, actor))


def state_of(standing: Standing) -> AlarmState:
    """One alarm in the words of the BACnet side."""
    d, m = standing.definition, standing.memory
    return AlarmState(
        id=d.id,
        fault=d.fault,
        kind=d.kind,
        subject=d.subject,
        is_fault=d.source != "limit",
        active=m.active,
        acknowledged=m.acknowledged,
        since=m.onset,
        message=m.message or d.message,
        priority=d.priority.value,
        side=d.limit.side if d.limit else 0,
        limit_Pa=d.limit.pressure_Pa if d.limit else None,
        shelved=m.state in BY_PERSON,
        suppressed=m.state is State.SUPPRESSED,
        cause=m.cause,
    )
