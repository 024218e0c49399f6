"""One instant of what one kind of page shows: the frame, and one subject or the equipment."""

from __future__ import annotations

from pydantic import Field

from gateway.live import Live
from gateway.views import LinkView, SinkView, link_views, sink_views

from .frame import Frame, Framing
from .now import LoopNow, Now


class SiteMoment(Frame):
    """How the gateway itself is doing, and no values of loops."""

    links: list[LinkView]
    sinks: list[SinkView]


class LoopMoment(Frame):
    """One loop."""

    loop: LoopNow | None = Field(description="Null before the first row.")


class Moments:
    """Looks at the latest snapshot; everything here may be asked in any thread."""

    def __init__(self, live: Live, framing: Framing, now: Now) -> None:
        self._live, self._framing, self._now = live, framing, now

    def frame(self) -> Frame:
        """Nothing but the frame."""
        return Frame(**self._framing.fields(self._live.latest))

    def site(self) -> SiteMoment:
        """The frame, controllers and receivers."""
        latest = self._live.latest
        return SiteMoment(
            **self._framing.fields(latest),
            links=link_views(self._live.site, latest.links if latest else {}),
            sinks=sink_views(latest.sinks if latest else self._live.sinks),
        )

    def loop(self, key: str) -> LoopMoment:
        """The frame and one loop; KeyError for an unknown id."""
        latest = self._live.latest
        return LoopMoment(
            **self._framing.fields(latest),
            loop=self._now.at(latest, key) if latest else None,
        )
