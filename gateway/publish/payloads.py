"""What the MQTT messages say: JSON made of the same views that the HTTP interface shows."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from gateway.diagnose.findings import Finding
from gateway.live import LinkState, Snapshot
from gateway.plant.site import Site
from gateway.record.journal import Entry
from gateway.views import finding_view, iso, link_views, loop_view, transducer_view


def status(state: str, reason: str = "", time: float | None = None) -> str:
    """Birth ("online") and last will ("offline"); the will knows no time."""
    return _json({"state": state, "reason": reason, "time": None if time is None else iso(time)})


def loop(site: Site, snapshot: Snapshot, loop_id: str) -> str:
    """One loop, its transducers by id, its findings in short."""
    view = loop_view(site, snapshot, loop_id)
    shown = view.model_dump(mode="json", exclude={"transducers", "findings"})
    open_here = (f for f in snapshot.findings if loop_id in f.loops)
    ids = [member.id for member in view.transducers]
    return _json({**shown, "transducers": ids, "findings": _short(open_here)})


def transducer(site: Site, snapshot: Snapshot, transducer_id: str) -> str:
    """One transducer, its findings in short."""
    shown = transducer_view(site, snapshot, transducer_id).model_dump(mode="json")
    open_here = (f for f in snapshot.findings if f.transducer == transducer_id)
    return _json({**shown, "findings": _short(open_here)})


def controller(site: Site, link: LinkState) -> str:
    """How one controller answers."""
    views = link_views(site, {link.controller: link})
    return _json(next(v for v in views if v.controller == link.controller).model_dump(mode="json"))


def event(site_id: str, entry: Entry, finding: Finding) -> str:
    """A finding raised or cleared, of this entry. `sequence` rises; the same may come twice."""
    return _json(
        {
            "sequence": entry.seq,
            "site": site_id,
            "time": iso(entry.time_ms / 1000),
            **finding_view(finding).model_dump(mode="json", exclude={"time"}),
        }
    )


def _short(findings: Iterable[Finding]) -> list[dict[str, Any]]:
    return [
        {
            "id": finding.id,
            "fault": finding.fault,
            "subject": finding.subject,
            "status": finding.status.value,
            "since": iso(finding.since),
            "title": finding.title,
        }
        for finding in findings
    ]


def _json(content: dict[str, Any]) -> str:
    return json.dumps(content, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
