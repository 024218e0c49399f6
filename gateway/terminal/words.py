"""What the terminal says in a loop check: answers of the gateway enter, lines of text leave."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from gateway.plant.units import PASCALS

Answer = Mapping[str, Any]

HELP = """\
  Enter       what was asked for is applied, and the reference shows just that
  a number    it is applied, and the reference shows this instead; 0.15 inH2O: in that unit
  t [why]     take the reading as it is, though it is not still
  r [step]    read the last step (or that one) again
  s why       leave this step out
  n text      keep a remark
  p           pause; go on later with --resume
  x why       abandon the check, without a record
  ?           this list"""


def pressure(line: str, unit: str) -> float | None:
    """What the reference shows, in `unit`; None where the line is no pressure."""
    found = re.fullmatch(r"([-+]?[0-9]*[.,]?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*([A-Za-z]\S*)?", line)
    if found is None:
        return None
    value, given = float(found[1].replace(",", ".")), found[2] or unit
    if given == unit:
        return value
    both = given in PASCALS and unit in PASCALS
    return float(f"{value * PASCALS[given] / PASCALS[unit]:.9g}") if both else None


def headline(check: Answer) -> str:
    """Which step of how many, and what to do."""
    return f"[{check['done'] + 1}/{check['steps']}] {check['asked']}"


def waiting(check: Answer) -> str:
    """One line while a reading is awaited: what is read now, and why it is not taken."""
    mine = [one for one in check["inputs"] if one["id"] in check["apply"]]
    now = "; ".join(f"{o['id']} {_value(o['pressure'], o['unit'], o['places'])}" for o in mine)
    why = check["trouble"] or check["why"] or "still: it is being taken"
    if len(mine) == 1:
        why = why.removeprefix(f"{mine[0]['id']} ")
    look = " (t takes it as it is)" if check["look"] else ""
    return f"      {now}: {why}{look}"


def taken(check: Answer, step: str) -> str:
    """The line of a step that was just read or left out; "" when it was neither."""
    read = next((one for one in check["read"] if one["step"] == step), None)
    if read is None:
        return ""
    if read["skipped"]:
        return f"      left out: {read['skipped']}"
    unit, places = read["unit"], read["places"]
    parts = []
    names = ("input", "controller") if read["transducer"] else ("we read", "feedback")
    for name, one in zip(names, (read["input"], read["controller"]), strict=True):
        if one is not None:
            error = "" if one["error"] is None else f", error {one['error']:+.2f} % of span"
            error += _ends(one)
            verdict = f": {one['verdict']}" if one["verdict"] else ""
            parts.append(f"{name} {_value(one['shown'], unit, places)}{error}{verdict}")
    asked = f"{_value(read['applied'], unit, places)} "
    asked += "applied" if read["transducer"] else "expected"
    forced = f" (taken although {read['forced']})" if read["forced"] else ""
    return f"      recorded: {asked}; {'; '.join(parts)}{forced}"


def _ends(one: Answer) -> str:
    """What has to be said of a reading at an end of its input."""
    if not one["ends"]:
        return ""
    others = "" if one["beyond"] is None else f"; by the line of the others {one['beyond']:+.2f} %"
    return f" (the input ends here{others})"


def summary(check: Answer) -> list[str]:
    """A transducer read through: what to know before saying that it is left as it is."""
    lines = []
    for one in check["summaries"]:
        if one["transducer"] != check["transducer"]:
            continue
        source = "at the input" if one["source"] == "input" else "by the controller"
        zero = "" if one["zero"] is None else (
            f"; zero {one['zero']:+.2f} %, span {one['span']:+.2f} %"
        )  # fmt: skip
        lines.append(
            f"      {one['part']} {source}: {one['verdict']}, worst error {one['worst']:+.2f} % of "
            f"span (tolerance {one['tolerance']:g} %){zero}"
        )
        if one["advice"]:
            lines.append(f"      to read right: {one['advice']}")
    return lines + [f"      ! {one['words']}" for one in check["mistakes"]]


def ended(record: Answer) -> list[str]:
    """What a finished check came to."""
    number = record["number"]
    lines = [
        f"Record {number}: {record['verdict'].upper()} (as found: {record['as_found_verdict']})"
    ]
    lines += [f"  ! {one['words']}" for one in record["mistakes"]]
    lines += [f"  {one['words']}" for one in record["look_back"]]
    lines += [
        f"  hash {record['hash']}",
        f"  printed: loopwitness record {number} --pdf FILE",
    ]
    return lines


def tampered(number: int, broken: Sequence[str]) -> list[str]:
    """What is wrong with the chain of records, seen from one of them."""
    mine = [one for one in broken if one.startswith(f"record {number}:")]
    others = len(broken) - len(mine)
    lines = [f"  ! {one}: it is no proof of anything" for one in mine]
    if others:
        lines.append("  ! the chain of records is broken elsewhere; see: loopwitness record")
    return lines


def opened(check: Answer) -> str:
    """An open check in a line."""
    paused = f", paused: {check['paused']}" if check["paused"] else ""
    return (
        f"  {check['name']}  {check['done']} of {check['steps']} steps, begun {check['begun']} by "
        f"{check['person']}{paused}"
    )


def _value(value: float | None, unit: str, places: int) -> str:
    return "no value" if value is None else f"{value:.{places}f} {unit}".rstrip()
