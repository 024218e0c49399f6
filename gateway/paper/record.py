"""The printed record of a loop check, made of the record's data and of nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from .figures import NONE, day_parts, figure, moment, signs
from .recordparts import combined, transducer
from .typesetting import pdf

Body = Mapping[str, Any]
RULES = {
    "simple": "simple: an error up to the tolerance passes",
    "guarded": "guarded: error and uncertainty together must lie inside the tolerance",
    "by ratio": "simple from a test uncertainty ratio of 4 on and where no uncertainty is stated, "
    "else guarded",
}
SIGNATURES = ("Checked by", "Witnessed by", "Accepted for the owner")


def record_pdf(body: Body, hash_: str) -> bytes:
    """The record as a PDF. hash_: of this record, as it stands in the chain."""
    return pdf("record.typ", _print(body, hash_))


def _print(body: Body, hash_: str) -> dict[str, Any]:
    site = body["site"]
    place = site["name"] or site["id"]
    return {
        "title": f"Loop check record {body['number']}",
        "place": place,
        "loop": body["loop_name"] or body["loop"],
        "date": day_parts(body["finished"] or body["begun"]),
        "verdict": body["verdict"],
        "as_found": body["as_found_verdict"],
        "says": _says(body),
        "facts": _facts(body, place),
        "mistakes": [signs(one["words"]) for one in body["mistakes"]],
        "signatures": list(SIGNATURES),
        "cautions": body["cautions"],
        "transducers": [transducer(one, body) for one in body["transducers"]],
        "combined": combined(body) if body["combined"] else None,
        "look_back": _look_back(body["look_back"], site["timezone"]),
        "remarks": _remarks(body, site["timezone"]),
        "void": _void(body),
        "hash": hash_,
        "previous": body["previous"],
        "first": body["number"] == 1,
        "software": f"Loopwitness {body['software']}",
    }


def _says(body: Body) -> str:
    """The verdict in a sentence, so that nobody has to guess what it is about."""
    what = {
        "pass": "Everything that was checked is inside its tolerance",
        "not proved": "Not everything could be proved to be inside its tolerance",
        "fail": "Something is outside its tolerance, or set or wired wrongly",
    }[body["verdict"]]
    if body["scheme"] in ("one point", "zero"):
        what += ". A partial check: of the rest of the range, of hysteresis and linearity it tells "
        what += "nothing, and it does not count as the regular one"
    touched = [one["id"] for one in body["transducers"] if one["adjusted"]]
    if touched:
        return f"{what}. {', '.join(touched)} was adjusted."
    if body["only_as_found"]:
        return f"{what}. It was looked at as found; nothing was to be adjusted."
    return f"{what}. No adjustment was made: as left is as found."


def _facts(body: Body, place: str) -> list[list[str]]:
    reference, zone = body["reference"], body["site"]["timezone"]
    expanded = reference["expanded"]
    scheme = body["scheme"] + (f", {body['cycles']} cycles" if body["cycles"] > 1 else "")
    combination = f"{body['combine']} of its inputs, {body['action']} acting"
    uncertainty = "not stated: no test uncertainty ratio"
    if expanded is not None:
        uncertainty = f"U = {figure(expanded)} {reference['unit']} (about 95 %)"
    return [
        ["Site", f"{place} ({body['site']['id']})"],
        ["Loop", f"{body['loop_name'] or body['loop']} ({body['loop']}): {combination}"],
        ["Checked", f"{moment(body['begun'], zone)} to {moment(body['finished'], zone)}"],
        ["By", _people(body)],
        ["Points", f"{scheme}, up and down" if "points" in scheme else scheme],
        ["Decision rule", RULES[body["rule"]]],
        ["Reference", reference["identity"] or "not stated"],
        ["Certificate", reference["certificate"] or "not stated"],
        ["Its uncertainty", uncertainty],
        ["Ambient", body["ambient"] or "not noted"],
    ]


def _people(body: Body) -> str:
    first, last = body["person"], body["finished_by"]
    return f"{first}, finished by {last}" if last and last != first else str(first)


def _look_back(found: Sequence[Body], zone: str) -> list[dict[str, Any]]:
    return [
        {
            "transducer": one["transducer"],
            "words": signs(one["words"]),
            "since": moment(one.get("since"), zone),
        }
        for one in found
    ]


def _remarks(body: Body, zone: str) -> list[list[str]]:
    notes = [[moment(n["time"], zone), n["person"], n["text"]] for n in body["notes"]]
    last = [["", body["finished_by"] or "", body["remarks"]]] if body["remarks"] else []
    return [*notes, *last, *([["", one["step"], f"left out: {one['reason']}"]
                              for one in body["skipped"]])]  # fmt: skip


def _void(body: Body) -> list[list[str]]:
    return [
        [one["step"], figure(one["applied"]), figure(one["shown"]), one["reason"] or NONE]
        for one in body["void"]
    ]
