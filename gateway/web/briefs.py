"""A loop, or a transducer that no loop uses, as one row of the overview."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import BaseModel, Field

from gateway.plant.units import PASCALS
from gateway.views import FindingView, TransducerView, number

from .now import LoopNow
from .still import StillLoop, StillTransducer


class InputBrief(BaseModel):
    """One transducer of a row."""

    id: str
    value: float | None = Field(description="In the unit of the row.")
    quality: str
    status: str
    drives: bool = Field(description="It decides the combined pressure now.")


class RowBrief(BaseModel):
    """One loop, or a transducer that no loop uses: then `combined` is its reading."""

    kind: str
    id: str
    name: str
    unit: str
    combine: str
    scale: tuple[float, float] = Field(description="Ends of the widest range, in `unit`.")
    span: float = Field(description="Largest span of a transducer, in `unit`.")
    combined: float | None
    believed: float | None = Field(
        description="Of a loop: the same by the transducers that can be believed."
    )
    without: list[str] = Field(description="Those that cannot, and were left out of `believed`.")
    quality: str
    reason: str
    status: str
    setpoint: float | None
    feedback: float | None
    feedback_agrees: bool | None
    output: float | None
    output_unit: str
    running: bool | None
    limit_low: float | None
    limit_high: float | None
    inputs: list[InputBrief]
    findings: int = Field(description="Open ones that touch it.")
    finding: FindingView | None = Field(description="The gravest of them, of these the oldest.")
    limit: str = Field(default="", description="What is said of a limit that is passed.")
    where: str = Field(description="Location of the transducer that it is about.")


def loop_brief(view: LoopNow, still: StillLoop, findings: Sequence[FindingView]) -> RowBrief:
    """A row of a loop; findings: the gravest first."""
    return RowBrief(
        kind="loop",
        id=view.id,
        name=still.name,
        unit=view.unit,
        combine=view.combine,
        scale=(still.low, still.high),
        span=still.span,
        combined=view.combined,
        believed=view.believed,
        without=view.without,
        quality=view.quality,
        reason=view.reason,
        status=view.status,
        setpoint=view.setpoint,
        feedback=view.feedback,
        feedback_agrees=view.feedback_agrees,
        output=view.output,
        output_unit=view.output_unit,
        running=view.running,
        limit_low=view.limit_low,
        limit_high=view.limit_high,
        inputs=[_input(one, view) for one in view.transducers],
        findings=len(findings),
        finding=findings[0] if findings else None,
        where=_where(view, findings),
    )


def _where(loop: LoopNow, findings: Sequence[FindingView]) -> str:
    about = findings[0].transducer if findings else None
    return next((one.location for one in loop.transducers if one.id == about), "")


def _input(view: TransducerView, loop: LoopNow) -> InputBrief:
    value = view.value
    if value is not None and view.unit != loop.unit:
        value = number(value * PASCALS[view.unit] / PASCALS[loop.unit])
    return InputBrief(
        id=view.id, value=value, quality=view.quality, status=view.status,
        drives=view.id == loop.driver,
    )  # fmt: skip


def spare_brief(
    view: TransducerView, still: StillTransducer, findings: Sequence[FindingView]
) -> RowBrief:
    """A row of a transducer that stands for itself; findings: the gravest first."""
    return RowBrief(
        kind="transducer",
        id=view.id,
        name=still.name or still.id,
        unit=view.unit,
        combine="",
        scale=(still.low, still.high),
        span=still.span,
        combined=view.value,
        believed=None,
        without=[],
        quality=view.quality,
        reason=view.reason,
        status=view.status,
        setpoint=None,
        feedback=None,
        feedback_agrees=None,
        output=None,
        output_unit="",
        running=None,
        limit_low=None,
        limit_high=None,
        inputs=[],
        findings=len(findings),
        finding=findings[0] if findings else None,
        where=view.location if findings else "",
    )
