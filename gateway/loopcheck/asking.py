"""What the person is asked to do next, in plain words."""

from __future__ import annotations

from .judging import Judgement
from .plan import Facts
from .run import Conclude, Decide, Measure, Task
from .steps import Part, Step


def asked(facts: Facts, task: Task) -> str:
    """The next thing to do, in one or two sentences."""
    match task:
        case Measure(step):
            return _of_inputs(facts, step) if step.part is Part.COMBINED else _of_one(facts, step)
        case Decide(transducer):
            return (
                f"{transducer} is read through as found. Say that no adjustment was made, or "
                "adjust it now and say what was done."
            )
        case Conclude():
            return "Everything is read. Put tubes and wires back, then finish."


def _of_one(facts: Facts, step: Step) -> str:
    key, noun = step.transducer, facts.transducers[step.transducer]
    where = f" ({noun.location})" if noun.location else ""
    if step.kind == "ports bridged":
        return f"{key}{where}: take the tubes off and bridge both ports."
    value, side = step.apply[key], "below" if step.direction == "up" else "above"
    first = step.point == 0 and step.direction == "up"
    way = "" if first else f", coming from {side} without passing it"
    return (
        f"{key}{where}: apply {value:.5g} {noun.unit} ({step.point:g} % of span){way}.{_how(value)}"
    )


def _how(value: float) -> str:
    """To which port, for those who stand before it."""
    if value == 0:
        return " Bridge the ports, or leave both open to still air."
    return " Pressure on the low port." if value < 0 else ""


def _of_inputs(facts: Facts, step: Step) -> str:
    rest = [key for key in step.apply if key not in step.driven]
    parts = [f"{step.apply[key]:.5g} {facts.transducers[key].unit} on {key}" for key in step.driven]
    bridged = [key for key in rest if step.apply[key] == 0]
    parts += [f"the ports of {_listed(bridged)} bridged"] if bridged else []
    parts += [
        f"{step.apply[key]:.5g} {facts.transducers[key].unit} on {key}"
        for key in rest
        if key not in bridged
    ]
    words = f"Combined feedback: {_listed(parts)}."
    if step.kind == "beyond range":
        words += " This is a little beyond the range, to see where the input stops; skip it if "
        words += "the maker allows no more than the range."
    return words


def _listed(parts: list[str]) -> str:
    return ", ".join(parts[:-1]) + f" and {parts[-1]}" if len(parts) > 1 else "".join(parts)


def to_read_right(facts: Facts, one: Judgement, ours: Judgement) -> str:
    """What to do about a source that should be adjusted; "" where nothing.

    ours: the same by our own reading: a controller that shows a wrong reading rightly has no
    setting to change.
    """
    noun = facts.transducers[one.transducer]
    if one.source == "controller":
        if not one.adjust or ours.adjust:
            return ""
        return (
            f"the input reads right: see that the controller's settings for it are "
            f"{noun.range[0]:g} to {noun.range[1]:g} {noun.unit} and {noun.signal}"
        )
    if not one.adjust or one.proposal is None:
        return ""
    proposed = one.proposal
    return (
        f"adjust zero and span, or enter a range of {proposed.range_low:.5g} to "
        f"{proposed.range_high:.5g} {noun.unit}"
    )


def loops_disturbed(loop: str, serves: dict[str, tuple[str, ...]]) -> list[str]:
    """A line for each transducer that other loops believe too. serves: transducer -> its loops."""
    return [
        f"{key} also serves {_listed([one for one in loops if one != loop])}: what is applied "
        "here disturbs that as well."
        for key, loops in serves.items()
        if len(loops) > 1
    ]
