"""The alarms as the interface and the pages show them, made once for all who look."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from pydantic import BaseModel, Field

from gateway.alarm.definitions import Definition
from gateway.alarm.machine import Standing
from gateway.alarm.memory import Hold
from gateway.alarm.relations import Subject
from gateway.alarm.states import TABLE, Event, State
from gateway.alarm.transition import Priority
from gateway.alarm_views import AlarmView, alarm_view
from gateway.diagnose.findings import Finding, Status
from gateway.live import Live
from gateway.views import iso

WORDS = {
    "acknowledge": Event.ACKNOWLEDGE,
    "reset": Event.RESET,
    "shelve": Event.SHELVE,
    "unshelve": Event.UNSHELVE,
}
"""What can be done to an alarm: the last word of the address, and the event it is."""


class AlarmNow(AlarmView):
    """One alarm as it stands, and what can be done to it."""

    status: str = Field(
        description="NAMUR NE 107: of its finding; a limit is out of specification."
    )
    consequence: str = Field(
        description="What the loop is really doing, as the finding says; empty when it is not open."
    )
    where: str = Field(description="Name of the loop or location of the transducer it is about.")
    loop_names: list[str] = Field(description="Names of `loops`.")
    actions: list[str] = Field(description="What can be done to it now.")


class OutView(BaseModel):
    """A transducer or a loop that somebody has taken out of service: status function check."""

    kind: str
    subject: str
    since: str
    until: str = Field(description="When it comes back by itself.")
    actor: str
    reason: str
    includes: list[str] = Field(description="Transducers that a loop took along.")
    alarms: list[str] = Field(description="Alarms behind it whose condition stands now.")


class AlarmTally(BaseModel):
    """The alarms in short."""

    edition: int = Field(description="Another number whenever an alarm has changed.")
    shown: int = Field(description="Alarms that ask for attention.")
    unacknowledged: int = Field(description="Those of them that nobody has acknowledged.")
    high: int = Field(description="Those that ask for attention with high priority.")
    explained: int = Field(description="Active alarms that stand behind their cause.")
    shelved: int
    out_of_service: list[OutView]


class Board:
    """Looks at the alarms of a live state. `clock`: seconds since 1970."""

    def __init__(self, live: Live, clock: Callable[[], float]) -> None:
        self._live, self._clock = live, clock
        self._counted: tuple[Standing, ...] | None = None
        self._edition = 0
        self._shown: tuple[Standing, ...] | None = None
        self._findings: tuple[Finding, ...] = ()
        self._views: list[AlarmNow] = []

    def views(self) -> list[AlarmNow]:
        """Every alarm that is not at rest, in the order in which a person should look at them."""
        standing, findings = self._live.alarms.standing, self._open()
        if self._shown is not standing or self._findings != findings:
            by_id = {f.id: f for f in findings}
            self._views = [self._view(one, by_id) for one in standing]
            self._shown, self._findings = standing, findings
        return self._views

    def view(self, alarm: str) -> AlarmNow:
        """One alarm, also at rest; RefusedError when the site has no such alarm."""
        return self._view(self._live.alarms.of(alarm), {f.id: f for f in self._open()})

    def tally(self) -> AlarmTally:
        """The alarms in short; may be asked in any thread."""
        latest = self._live.latest
        standing = latest.alarms if latest else self._live.alarms.standing
        if self._counted is not standing:
            # Never a number that a gateway before this one gave.
            self._edition = max(self._edition + 1, round(self._clock() * 1000))
            self._counted = standing
        states = [one.memory.state for one in standing]
        shown = [one for one in standing if one.shown]
        return AlarmTally(
            edition=self._edition,
            shown=len(shown),
            unacknowledged=sum(not one.memory.acknowledged for one in shown),
            high=sum(one.definition.priority is Priority.HIGH for one in shown),
            explained=sum(
                one.memory.active and bool(one.memory.cause)
                for one in standing
                if one.memory.state is State.SUPPRESSED
            ),
            shelved=states.count(State.SHELVED),
            out_of_service=self.out(standing),
        )

    def out(self, standing: Iterable[Standing] | None = None) -> list[OutView]:
        """What is out of service: loops before transducers, in the order of the site file."""
        if standing is None:
            standing = self._live.alarms.standing
        holds: dict[Subject, Hold] = {}
        behind: dict[Subject, list[str]] = {}
        for one in standing:
            if one.memory.service is not None:
                subject = one.definition.subject_of_kind
                holds[subject] = one.memory.service
                behind.setdefault(subject, []).extend([one.definition.id] * one.memory.active)
        return self._out(holds, behind)

    def _out(self, holds: dict[Subject, Hold], behind: dict[Subject, list[str]]) -> list[OutView]:
        site, relations = self._live.site, self._live.alarms.definitions.relations
        found, taken = [], set[Subject]()
        known: list[Subject] = [("loop", k) for k in site.loops]
        known += [("transducer", k) for k in site.transducers]
        for subject in (s for s in known if s in holds):
            if subject in taken:
                continue
            hold = holds[subject]
            along = [s for s in relations.whole(*subject) if holds.get(s) == hold]
            taken.update(along)
            found.append(
                OutView(
                    kind=subject[0], subject=subject[1], since=iso(hold.since),
                    until=iso(hold.until), actor=hold.actor, reason=hold.reason,
                    includes=[key for kind, key in along if kind == "transducer"]
                    if subject[0] == "loop" else [],
                    alarms=[alarm for s in along for alarm in behind[s]],
                )
            )  # fmt: skip
        return found

    def _open(self) -> tuple[Finding, ...]:
        return self._live.latest.findings if self._live.latest else ()

    def _view(self, one: Standing, findings: Mapping[str, Finding]) -> AlarmNow:
        mine, site = findings.get(one.memory.finding), self._live.site
        view = alarm_view(self._live.alarms, one, mine)
        return AlarmNow(
            **vars(view),
            status=_status(one),
            consequence=mine.consequence if mine else "",
            where=self._where(one.definition),
            loop_names=[site.loops[key].name or key for key in view.loops],
            actions=possible(one),
        )

    def _where(self, definition: Definition) -> str:
        kind, subject = definition.subject_of_kind
        if kind == "transducer":
            return self._live.site.transducers[subject].location
        return self._live.site.loops[subject].name if kind == "loop" else ""


def possible(one: Standing) -> list[str]:
    """What can be done to an alarm as it stands; words of WORDS."""
    state, found = one.memory.state, []
    for word, event in WORDS.items():
        never = (event is Event.SHELVE and one.definition.source == "group") or (
            event is Event.UNSHELVE and one.memory.shelf is None
        )
        if not TABLE[state, event].refused and not never:
            found.append(word)
    return found


def _status(one: Standing) -> Status:
    d = one.definition
    if one.memory.service is not None:
        return Status.FUNCTION_CHECK
    if d.entry is not None:
        return d.entry.status
    if d.source == "gateway":
        return Status.MAINTENANCE_REQUIRED
    # Many at once is as grave as the gravest of them may be.
    return Status.FAILURE if d.source == "group" else Status.OUT_OF_SPECIFICATION
