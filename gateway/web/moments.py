"""One instant of what one kind of page shows: the frame, and one subject or the equipment."""

from __future__ import annotations

import numpy as np
from pydantic import BaseModel, Field

from gateway.live import Live, Snapshot
from gateway.measure.quality import Quality
from gateway.views import (
    FindingView,
    LinkView,
    SinkView,
    TransducerView,
    finding_view,
    link_views,
    pressure,
    sink_views,
    transducer_view,
)

from .frame import Frame, Framing
from .limits import passed
from .now import LoopNow, Now
from .still import peers_of


class SiteMoment(Frame):
    """How the gateway itself is doing, and no values of loops."""

    links: list[LinkView]
    sinks: list[SinkView]


class LoopMoment(Frame):
    """One loop."""

    loop: LoopNow | None = Field(description="Null before the first row.")
    limit: str = Field(description="What is said of a limit that is passed; else empty.")


class PeerView(BaseModel):
    """Another transducer of the same loop; `value` in its own unit."""

    id: str
    value: float | None
    quality: str


class TransducerNow(TransducerView):
    """One transducer at this instant, what was found of it, and what the others read."""

    findings: list[FindingView]
    others: float | None = Field(
        description="Middle of the other transducers of its loop, in `unit`; null: there are none, "
        "or they measure something else."
    )
    peers: list[PeerView] = Field(description="Those others.")
    loop_names: list[str] = Field(description="Names of `loops`.")


class TransducerMoment(Frame):
    """One transducer."""

    transducer: TransducerNow | None = Field(description="Null before the first row.")


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
            limit=passed(latest.alarms).get(key, "") if latest else "",
        )

    def transducer(self, key: str) -> TransducerMoment:
        """The frame and one transducer; KeyError for an unknown id."""
        latest = self._live.latest
        return TransducerMoment(
            **self._framing.fields(latest),
            transducer=self._transducer(latest, key) if latest else None,
        )

    def _transducer(self, latest: Snapshot, key: str) -> TransducerNow:
        site = self._live.site
        view = transducer_view(site, latest, key)
        return TransducerNow(
            **vars(view),
            findings=[finding_view(f) for f in latest.of_transducer.get(key, ())],
            others=self._others(latest, key),
            peers=[self._peer(latest, one.id) for one in peers_of(site, key)],
            loop_names=[site.loops[k].name or k for k in view.loops],
        )

    def _others(self, latest: Snapshot, key: str) -> float | None:
        site = self._live.site
        at = [site.transducer_column(one.id) for one in peers_of(site, key)]
        now = latest.readings
        known = now.pressure[0, at][now.quality[0, at] < Quality.BAD]
        if not len(known):
            return None
        return pressure(float(np.median(known)), site.transducers[key].unit)

    def _peer(self, latest: Snapshot, key: str) -> PeerView:
        view = transducer_view(self._live.site, latest, key)
        return PeerView(id=key, value=view.value, quality=view.quality)
