"""One loop or transducer with all that is known of it: too much for every second of a stream."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import Field

from gateway.live import Live
from gateway.trust import HiddenView, Trust, UncertaintyView
from gateway.views import TransducerView, transducer_view

from .chain import Chains, ChainView
from .differences import Differences, DifferenceView
from .learnt import Learnt, LearntTransducer, LearntView
from .now import LoopNow, Now


class TransducerDetail(TransducerView):
    """One transducer at this instant, its uncertainty, and the faults that it hides."""

    uncertainty: UncertaintyView
    noise: float | None = Field(
        description="Standard deviation of single readings as learnt, in `unit`; not in the "
        "uncertainty, since limits are made for means over minutes."
    )
    hidden: list[HiddenView] = Field(description="Faults that cannot be seen on it, or in part.")
    chain: ChainView = Field(description="From counts to pressure, and what a meter should read.")


class LoopDetail(LoopNow):
    """One loop at this instant, the faults that it hides, and what was learnt of it."""

    transducers: Sequence[TransducerDetail]
    hidden: list[HiddenView] = Field(description="Faults of the loop that cannot be seen.")
    learnt: LearntView
    differences: list[DifferenceView] = Field(
        description="How far its transducers may be apart; empty where they cannot be compared."
    )


class Details:
    """Puts together what stands still of a site with what is now."""

    def __init__(self, live: Live, now: Now, time: float) -> None:
        self._live, self._now = live, now
        self._trust, self._learnt = Trust(live.site, time), Learnt(live.site)
        self._chains = Chains(live.site)
        self._differences = Differences(live.site, self._learnt)

    def transducer(self, key: str) -> TransducerDetail:
        """KeyError for an unknown id, RefusalError (503) before the first row."""
        snapshot = self._now.snapshot()
        return TransducerDetail(
            **vars(transducer_view(self._live.site, snapshot, key)),
            uncertainty=self._trust.uncertainty(key, snapshot.time),
            noise=self.noise(key),
            hidden=self._trust.hidden(key),
            chain=self._chains.of(key, snapshot.time),
        )

    def noise(self, key: str) -> float | None:
        """Learnt noise of a transducer in its unit."""
        return self._learnt.noise(self._live.learnt, key)

    def learnt_of(self, key: str, loop: str) -> LearntTransducer:
        """What was learnt of a transducer in a loop."""
        view = self._learnt.of_loop(self._live.learnt, loop)
        return next(one for one in view.transducers if one.id == key)

    def loop(self, key: str) -> LoopDetail:
        """KeyError for an unknown id, RefusalError (503) before the first row."""
        members = {k: self.transducer(k) for k in self._live.site.loops[key].transducers}
        return LoopDetail(
            **vars(self._now.loop(key, members)),
            hidden=self._trust.of_loop(key),
            learnt=self._learnt.of_loop(self._live.learnt, key),
            differences=self._differences.of_loop(
                self._live.learnt, key, self._now.snapshot().time
            ),
        )
