"""One or two messages of each kind for the description: a broken wire in the fictional archive."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pydantic import BaseModel

from gateway.alarm.states import Event, State
from gateway.alarm.transition import Priority
from gateway.alarm_views import ConsequenceView, HoldView
from gateway.diagnose.findings import Status

from .messages import (
    AcknowledgeAnswer,
    AcknowledgeRequest,
    AlarmEvent,
    AlarmMessage,
    ControllerMessage,
    FindingEvent,
    FindingInShort,
    LoopMessage,
    StatusMessage,
    TransducerMessage,
)

SITE = "harbour-archive"
WIRE, EFFECT = "open-circuit:dp-201", "pressure-high:stair-b"
ONSET, LATER = "2026-05-28T20:30:00.000Z", "2026-05-28T20:30:42.000Z"
FINDING = "open-circuit:dp-201:1780000200000"
TITLE = "Open circuit: no signal at all"
CHECK = (
    "Measure at the input terminals before touching anything else: first the supply at the "
    "transducer, then the current in series. Work at live terminals is for qualified people; on a "
    "smoke-control loop arrange the impairment first. Expect: 0 mA in series."
)
SHORT = FindingInShort(
    id=FINDING, fault="open-circuit", subject="dp-201", status=Status.FAILURE, since=ONSET,
    title=TITLE,
)  # fmt: skip

STATUS = (
    StatusMessage(state="online", reason="", time="2026-05-28T06:00:00.000Z"),
    StatusMessage(state="offline", reason="connection lost", time=None),
)

LOOP = LoopMessage(
    id="stair-b", name="Stair B pressurization", unit="Pa", time=LATER, combine="average",
    combined=8.89404, quality="bad", reason="one of its transducers is not good",
    status="failure", feedback=8.89404, setpoint=50.0, output=60.0, output_unit="Hz",
    running=True, driver=None, limit_low=25.0, limit_high=80.0, transducers=["dp-201", "dp-202"],
    findings=[SHORT],
)  # fmt: skip

TRANSDUCER = TransducerMessage(
    id="dp-201", location="Stair B, level 3, riser cupboard",
    ports="high: stair; low: level 3 corridor", loops=["stair-b"], controller="sf-2",
    signal="4-20 mA", unit="Pa", range=(-25.0, 100.0), time=LATER, value=-56.25, quality="bad",
    reason="signal below the measuring band: failure", status="failure", counts=0.0,
    electrical=0.0, electrical_unit="mA", percent_span=-25.0, controller_value=-56.25,
    findings=[SHORT],
)  # fmt: skip

CONTROLLER = ControllerMessage(
    controller="sf-2", address="192.0.2.21:502 unit 1", connected=True, reason="",
    last_answer=LATER, polls=52242, failures=3, missed_ticks=0, reconnects=1, response_ms=2.721,
)  # fmt: skip

ALARM = AlarmMessage(
    id=WIRE, fault="open-circuit", kind="transducer", subject="dp-201", loops=["stair-b"],
    state=State.UNACKNOWLEDGED, shown=True, active=True, acknowledged=False,
    priority=Priority.HIGH, message=TITLE, onset=ONSET, changed=ONSET, cause=None,
    consequences=[
        ConsequenceView(
            id=EFFECT, fault="pressure-high", kind="loop", subject="stair-b",
            state=State.SUPPRESSED, active=True, message="Pressure above 80 Pa: 81.2 Pa at first",
        ),
    ],
    consequence_count=1, next_check=CHECK, latching=False, function_check=False, shelved=None,
    out_of_service=None, suppressed_by="", finding=FINDING, site=SITE, time=LATER,
)  # fmt: skip

AT_WORK = ALARM.model_copy(
    update={
        "state": State.OUT_OF_SERVICE,
        "shown": False,
        "active": False,
        "acknowledged": True,
        "consequences": [],
        "consequence_count": 0,
        "function_check": True,
        "out_of_service": HoldView(
            since=LATER, until="2026-05-28T22:30:00.000Z", actor="Ada", reason="calibration"
        ),
        "changed": LATER,
    }
)

AT_REST = ALARM.model_copy(
    update={
        "state": State.NORMAL,
        "shown": False,
        "active": False,
        "acknowledged": True,
        "onset": None,
        "changed": None,
        "consequences": [],
        "consequence_count": 0,
        "finding": None,
    }
)

FINDING_EVENT = FindingEvent(
    id=FINDING, fault="open-circuit", title=TITLE,
    signature="A live-zero signal at electrical zero, where no working device can be.",
    kind="transducer", subject="dp-201",
    phase="raised", time=ONSET, since=ONSET, status="failure", confidence=0.98,
    evidence={"electrical_mA": 0.0}, rivals=["reversed-polarity", "device-failure-signal"],
    next_check=CHECK,
    consequence="The controller reads this input as 0 mA, below its range. An average is pulled "
    "down and the fan drives up; a minimum follows the dead input.",
    transducer="dp-201", loops=["stair-b"], journal="5e1f00c2a7b94d36", sequence=17, previous=9,
    site=SITE,
)  # fmt: skip

BEGAN = AlarmEvent(
    journal="5e1f00c2a7b94d36", sequence=18, previous=11, site=SITE, time=ONSET, alarm=WIRE,
    fault="open-circuit", kind="transducer", subject="dp-201", event=Event.ALARM,
    before=State.NORMAL, after=State.UNACKNOWLEDGED, annunciates=True, shown=True,
    function_check=False, priority=Priority.HIGH, message=TITLE, actor="gateway", reason="",
    cause=None, until=None, finding=FINDING,
)  # fmt: skip

EXPLAINED = AlarmEvent(
    journal="5e1f00c2a7b94d36", sequence=19, previous=18, site=SITE, time=LATER, alarm=EFFECT,
    fault="pressure-high", kind="loop", subject="stair-b", event=Event.SUPPRESS,
    before=State.NORMAL, after=State.SUPPRESSED, annunciates=False, shown=False,
    function_check=False, priority=Priority.HIGH, message="Pressure above 80 Pa",
    actor="gateway", reason="explained by its cause", cause=WIRE, until=None, finding=None,
)  # fmt: skip

SEEN = BEGAN.model_copy(
    update={
        "sequence": 21,
        "previous": 20,
        "time": "2026-05-28T20:32:10.000Z",
        "event": Event.ACKNOWLEDGE,
        "before": State.UNACKNOWLEDGED,
        "after": State.ACKNOWLEDGED,
        "annunciates": False,
        "actor": "Ada (MQTT)",
        "reason": "on my way",
    }
)

REQUEST = AcknowledgeRequest(alarm=WIRE, onset=ONSET, person="Ada", comment="on my way")

ANSWERS = (
    AcknowledgeAnswer(
        accepted=True, result="acknowledged", error="", alarm=WIRE, onset=ONSET,
        state=State.ACKNOWLEDGED, time="2026-05-28T20:32:10.000Z",
    ),
    AcknowledgeAnswer(
        accepted=False, result="bad", error="person: not there; allowed: it must be given",
        alarm=None, onset=None, state=None, time="2026-05-28T20:32:10.000Z",
    ),
)  # fmt: skip

EXAMPLES: Mapping[type[BaseModel], Sequence[tuple[str, BaseModel]]] = {
    StatusMessage: (("online", STATUS[0]), ("connection lost", STATUS[1])),
    LoopMessage: (("one wire broken", LOOP),),
    TransducerMessage: (("broken wire", TRANSDUCER),),
    ControllerMessage: (("answers", CONTROLLER),),
    AlarmMessage: (
        ("active, with a consequence", ALARM),
        ("out of service", AT_WORK),
        ("at rest", AT_REST),
    ),
    FindingEvent: (("raised", FINDING_EVENT),),
    AlarmEvent: (
        ("an alarm begins", BEGAN),
        ("a consequence goes under its cause", EXPLAINED),
        ("acknowledged", SEEN),
    ),
    AcknowledgeRequest: (("a person has seen it", REQUEST),),
    AcknowledgeAnswer: (("recorded", ANSWERS[0]), ("not understood", ANSWERS[1])),
}
"""(name, message) of each kind."""
