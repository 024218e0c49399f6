"""The BACnet/IP side: one device with the pressures, their reliability and their alarms."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from gateway.live import Live
from gateway.settings import Settings

from .bacnet_alarms import AlarmSource
from .bacnet_board import Board
from .bacnet_events import Events
from .bacnet_inputs import inputs
from .bacnet_numbers import remembered
from .bacnet_values import Values
from .sink import Sink

NAME = "bacnet"


async def publish_bacnet(live: Live, alarms: AlarmSource, settings: Settings) -> None:
    """Be a BACnet/IP device for ever; returns only by being cancelled, and closes its port then.

    StartError when the port is not to be had or the object numbers cannot be read. How the
    recipients of events are doing stands in `live.sinks["bacnet"]`. Nobody waits for this: a
    slow or dead front end costs its own queue only.
    """
    # Takes half a second to load, which only those who use it should wait for.
    from .bacnet_device import serving  # noqa: PLC0415

    site = live.site
    sink = Sink(NAME, live.sinks)
    made = inputs(site, {loop: alarms.terms(loop) for loop in site.loops})
    numbers = remembered(settings.state_dir, [one.name for one in made])
    values, events = Values(site, made), Events(made, site.site.id)
    board = Board(made, numbers.instances, events, ZoneInfo(site.site.timezone))
    async with serving(site, board, alarms, settings, numbers.revision, sink) as device:
        sink.up()
        async for snapshot in live.snapshots():
            board.shown = values.examine(snapshot)
            device.tell(events.examine(board.shown, alarms.states()))
            await device.tell_changes()
