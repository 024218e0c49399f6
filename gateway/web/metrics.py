"""Measurements of the site and of the gateway in the Prometheus text format, version 0.0.4.

The format is small and stable, so it is written here: `# HELP`, `# TYPE`, then a line a sample.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from math import isnan

from fastapi import APIRouter
from fastapi.responses import Response

from gateway.alarm.own import OWN
from gateway.alarm.states import State
from gateway.diagnose.findings import Status
from gateway.live import LinkState, SinkState, Snapshot
from gateway.plant.site import Site

from .sources import FromApp

MEDIA = "text/plain; version=0.0.4; charset=utf-8"
Sample = tuple[Mapping[str, str], float]

router = APIRouter()


@router.get(
    "/metrics",
    tags=["operation"],
    response_class=Response,
    responses={200: {"content": {MEDIA: {"schema": {"type": "string"}}}}},
)
async def metrics(sources: FromApp) -> Response:
    """Pressures in Pa, qualities, findings, links and sinks, for a scraper."""
    live = sources.live
    parts = [*_gateway(live.site, live.latest, sources.streams.open), *_sinks(live.sinks)]
    if live.latest:
        parts += [
            *_transducers(live.site, live.latest),
            *_loops(live.site, live.latest),
            *_findings(live.latest),
            *_alarms(live.latest),
            *_links(live.latest.links),
            *_troubles(live.latest),
        ]
    return Response("".join(parts), media_type=MEDIA)


def family(name: str, kind: str, about: str, samples: Iterable[Sample]) -> str:
    """One metric family as text; names begin with loopwitness_."""
    full = f"loopwitness_{name}"
    lines = [f"# HELP {full} {about}", f"# TYPE {full} {kind}"]
    lines += [f"{full}{_labels(labels)} {_value(value)}" for labels, value in samples]
    return "\n".join(lines) + "\n"


def _labels(labels: Mapping[str, str]) -> str:
    if not labels:
        return ""
    return "{" + ",".join(f'{key}="{_escaped(text)}"' for key, text in labels.items()) + "}"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _value(value: float) -> str:
    return "NaN" if isnan(value) else repr(float(value))


def _gateway(site: Site, latest: Snapshot | None, streams: int) -> Iterator[str]:
    who = {"site": site.site.id, "name": site.site.name or site.site.id}
    yield family("site_info", "gauge", "Which site this gateway watches.", [(who, 1)])
    yield family("streams_open", "gauge", "Readers of the live stream.", [({}, streams)])
    when: list[Sample] = [({}, latest.time)] if latest else []
    yield family("row_timestamp_seconds", "gauge", "When the latest row was taken.", when)


def _transducers(site: Site, latest: Snapshot) -> Iterator[str]:
    now = latest.readings
    who = [{"transducer": key} for key in site.transducers]
    yield family(
        "transducer_pressure_pascals", "gauge", "Pressure from the electrical signal.",
        zip(who, now.pressure[0].tolist(), strict=True),
    )  # fmt: skip
    yield family(
        "transducer_quality", "gauge", "0 good, 1 uncertain, 2 bad.",
        zip(who, now.quality[0].tolist(), strict=True),
    )  # fmt: skip


def _loops(site: Site, latest: Snapshot) -> Iterator[str]:
    now = latest.readings
    who = [{"loop": key} for key in site.loops]
    for name, about, values in (
        ("combined_pascals", "Combined pressure, computed independently.", now.combined),
        ("feedback_pascals", "Feedback, as the controller reports it.", now.feedback),
        ("setpoint_pascals", "Set point.", now.setpoint),
        ("output", "Output of the controller, in its own unit.", now.output),
        ("running", "1 running, 0 stopped.", now.running),
        ("quality", "0 good, 1 uncertain, 2 bad.", now.combined_quality),
    ):
        yield family(f"loop_{name}", "gauge", about, zip(who, values[0].tolist(), strict=True))


def _troubles(latest: Snapshot) -> Iterator[str]:
    yield family(
        "gateway_trouble", "gauge", "1 while this is wrong with the gateway itself.",
        [({"trouble": trouble}, trouble in latest.troubles) for trouble in OWN],
    )  # fmt: skip
    about = "How often the clock of this machine was set since the start."
    yield family("clock_steps_total", "counter", about, [({}, latest.clock.steps)])
    about = "How far rows run ahead of the clock, which was set back."
    yield family("rows_ahead_seconds", "gauge", about, [({}, latest.clock.ahead_s)])


def _alarms(latest: Snapshot) -> Iterator[str]:
    counts = Counter(one.memory.state for one in latest.alarms)
    states = [s for s in State if s is not State.NORMAL]
    yield family(
        "alarms", "gauge", "Alarms that are not at rest, by state.",
        [({"state": state.value}, counts[state]) for state in states],
    )  # fmt: skip


def _findings(latest: Snapshot) -> Iterator[str]:
    counts = Counter(f.status for f in latest.findings)
    statuses = [s for s in Status if s is not Status.GOOD]
    yield family(
        "findings_open", "gauge", "Open findings by status.",
        [({"status": status.value}, counts[status]) for status in statuses],
    )  # fmt: skip
    since: dict[tuple[str, str], Sample] = {}
    for f in latest.findings:
        who = {"fault": f.fault, "kind": f.kind, "subject": f.subject}
        since[f.fault, f.subject] = (who, f.since)
    about = "When an open finding was raised."
    yield family("finding_since_timestamp_seconds", "gauge", about, since.values())


def _links(links: Mapping[str, LinkState]) -> Iterator[str]:
    for name, kind, about, values in (
        ("connected", "gauge", "1 while it answers.", [x.connected for x in links.values()]),
        ("polls_total", "counter", "Polls.", [x.polls for x in links.values()]),
        ("failures_total", "counter", "Polls without a good answer.",
         [x.failures for x in links.values()]),
        ("missed_ticks_total", "counter", "Polls skipped, as the one before was not done.",
         [x.missed_ticks for x in links.values()]),
        ("reconnects_total", "counter", "Connections made again.",
         [x.reconnects for x in links.values()]),
        ("response_seconds", "gauge", "Time the latest poll took.",
         [float("nan") if x.response_ms is None else x.response_ms / 1000
          for x in links.values()]),
    ):  # fmt: skip
        samples = [({"controller": k}, float(v)) for k, v in zip(links, values, strict=True)]
        yield family(f"controller_{name}", kind, about, samples)


def _sinks(sinks: Mapping[str, SinkState]) -> Iterator[str]:
    for name, kind, about, values in (
        ("connected", "gauge", "1 while it takes data.", [x.connected for x in sinks.values()]),
        ("sent_total", "counter", "Records taken.", [x.sent for x in sinks.values()]),
        ("failures_total", "counter", "Failed attempts.", [x.failures for x in sinks.values()]),
        ("waiting", "gauge", "Records it has yet to take.", [x.waiting for x in sinks.values()]),
    ):
        samples = [({"sink": k}, float(v)) for k, v in zip(sinks, values, strict=True)]
        yield family(f"sink_{name}", kind, about, samples)
