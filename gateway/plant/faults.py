"""A fault in words for people: where it is, what stands there, what may stand there.

The checks themselves live in the nouns; here their complaints are put into our own words, with
the nearest word that would have been right.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from gateway.errors import Fault

LONGEST = 72
"""Characters of a value that are shown."""
LISTED = 12
"""Words that are listed in full; of more, only the first ones."""

Place = Sequence[str | int]

_PHRASES = {
    "literal_error": "{expected}",
    "finite_number": "a number, neither infinite nor NaN",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "string_type": "text in quotation marks",
    "string_too_short": "text of at least {min_length} character(s)",
    "string_too_long": "text of at most {max_length} characters",
    "model_type": "a table",
    "dict_type": "a table",
    "mapping_type": "a table",
    "tuple_type": "a list",
    "list_type": "a list",
    "too_short": "at least {min_length} of them",
    "too_long": "at most {max_length} of them",
    "date_type": "a date without quotation marks, such as 2026-03-02",
    "date_from_datetime_inexact": "a date without a time of day, such as 2026-03-02",
    "path_type": "a path",
}
_PATTERNS = {
    "^[a-z0-9][a-z0-9-]{0,62}$": "up to 63 of a-z, 0-9 and -, not starting with -",
    "^[a-z][a-z0-9_]{0,62}$": "up to 63 of a-z, 0-9 and _, starting with a letter",
    r"^[^+#/\s$][^+#/\s]*(/[^+#/\s]+)*$": "levels with / between, without + # and blanks, not "
    "starting with $",
    r"^[a-z0-9][a-z0-9-]{0,62}\.[a-z][a-z0-9_]{0,62}$": "controller.point, in small letters",
}
_NUMBER_ERRORS = (
    "int_type", "int_parsing", "int_from_float", "int_parsing_size", "float_type", "float_parsing",
    "greater_than", "greater_than_equal", "less_than", "less_than_equal",
)  # fmt: skip
_LIST_ERRORS = ("missing", "too_short", "too_long", "tuple_type")


def shown(value: object) -> str:
    """What stands there, in one short line, much as TOML would write it."""
    text = clean(_written(value))
    return text if len(text) <= LONGEST else text[: LONGEST - 3] + "..."


def clean(text: str) -> str:
    """One line that a terminal can show: what it cannot show becomes a question mark."""
    return "".join(c if c.isprintable() else "?" for c in text)


def path_of(place: Place) -> str:
    """A place as one word: keys joined by dots, places in a list in brackets from 0 up."""
    path = ""
    for part in place:
        if isinstance(part, int):
            path += f"[{part}]"
        elif part != "[key]":
            bare = part.replace("-", "").replace("_", "").isalnum() and part.isascii()
            path += f".{part if bare else shown(part)}"
    return path.removeprefix(".")


_WATER = {"inwc": "inH2O", "inwg": "inH2O", "iwc": "inH2O", "mmwc": "mmH2O", "mmwg": "mmH2O"}
_SAME = {"mean": "average", **_WATER}
"""Other words for an option, in small letters and without blanks and points."""


def among(word: str, options: Iterable[str]) -> str:
    """In parentheses: the option nearest to `word`, or else the options themselves."""
    known = list(options)
    if near := get_close_matches(word, known, n=1):
        return f' (did you mean "{near[0]}"?)'
    if not known:
        return " (there is none)"
    more = f" and {len(known) - LISTED} more" if len(known) > LISTED else ""
    return f" ({', '.join(known[:LISTED])}{more})"


def _nearest(said: str, options: list[str]) -> list[str]:
    """The option that is meant, if any: the same word, else the nearest by its letters.

    By its letters alone "mean" would be taken for the median, which is another pressure.
    """
    bare = said.lower().replace(" ", "").replace(".", "")
    alike = [one for one in options if one.lower() == bare or one == _SAME.get(bare)]
    return alike[:1] or get_close_matches(said, options, n=1)


def in_words(error: ValidationError, model: type[BaseModel], place: Place = ()) -> list[Fault]:
    """Every complaint of pydantic about `model`, which stands at `place`, as a fault."""
    return [_fault(details, model, place) for details in error.errors(include_url=False)]


def _fault(details: ErrorDetails, model: type[BaseModel], place: Place) -> Fault:
    kind, loc, value = details["type"], details["loc"], details["input"]
    where = path_of([*place, *loc])
    if kind == "value_error":
        return _own_rule(str(details["ctx"]["error"]), model, [*place], loc, value)
    if kind == "extra_forbidden":
        noun = _annotation(model, loc[:-1])
        keys = noun.model_fields if _is_model(noun) else ()
        return Fault(where, shown(value), f"a key known here{among(str(loc[-1]), keys)}")
    if loc and isinstance(loc[-1], int) and kind == "missing":
        return Fault(path_of([*place, *loc[:-1]]), shown(value), _list_phrase(model, loc[:-1]))
    if kind == "missing":
        about = _description(model, loc)
        return Fault(where, "not there", f"it must be given{about}")
    return Fault(where, shown(value), _phrase(details, model))


def _phrase(details: ErrorDetails, model: type[BaseModel]) -> str:
    kind, loc = details["type"], details["loc"]
    ctx: Mapping[str, Any] = details.get("ctx", {})
    if kind in _NUMBER_ERRORS:
        return _number_phrase(model, loc)
    if kind in _LIST_ERRORS:
        return _list_phrase(model, loc)
    if kind == "string_pattern_mismatch":
        return _PATTERNS.get(ctx["pattern"], f"text that matches {ctx['pattern']}")
    if kind == "literal_error":
        said, options = str(details["input"]), str(ctx["expected"]).split("'")[1::2]
        near = _nearest(said, options)
        return f"{ctx['expected']}" + (f' (did you mean "{near[0]}"?)' if near else "")
    if kind in _PHRASES:
        return _PHRASES[kind].format_map(ctx)
    return details["msg"][:1].lower() + details["msg"][1:]


def _own_rule(
    message: str, model: type[BaseModel], place: list[str | int], loc: Place, value: object
) -> Fault:
    """A noun's own rule. Its message says `what stands there: what is allowed`.

    When the first word is a field of the noun, the fault is that field's.
    """
    noun = _annotation(model, loc)
    if not _is_model(noun):
        options = message.split("'")[1::2]
        near = _nearest(value, options) if isinstance(value, str) else []
        hint = f' (did you mean "{near[0]}"?)' if near and near[0] != value else ""
        return Fault(path_of([*place, *loc]), shown(value), message + hint)
    said, colon, allowed = re.sub(r"(\d)\.0\b", r"\1", message).partition(": ")
    field, _, rest = said.partition(" ")
    if colon and rest and field in noun.model_fields:
        return Fault(path_of([*place, *loc, field]), rest, allowed)
    if not colon:
        allowed = "values that fit together"
    return Fault(path_of([*place, *loc]) or field, said, allowed)


def _number_phrase(model: type[BaseModel], loc: Place) -> str:
    """What a number may be, such as: a whole number from 1 to 65535."""
    field = _field(model, loc)
    whole = field is not None and _plain(field.annotation) is int
    words = "a whole number" if whole else "a number"
    ends: dict[str, Any] = {}
    for rule in field.metadata if field else ():
        ends.update({k: getattr(rule, k) for k in ("ge", "gt", "le", "lt") if hasattr(rule, k)})
    if "ge" in ends and "le" in ends:
        return f"{words} from {ends['ge']:.12g} to {ends['le']:.12g}"
    phrases = {"ge": "at least", "gt": "above", "le": "up to", "lt": "below"}
    limits = [f"{phrase} {ends[k]:.12g}" for k, phrase in phrases.items() if k in ends]
    return " ".join([words, ", ".join(limits)]).strip()


def _list_phrase(model: type[BaseModel], loc: Place) -> str:
    args = [arg for arg in get_args(_plain(_annotation(model, loc))) if arg is not NoneType]
    if not args or args[-1] is Ellipsis:
        return "a list with at least one entry"
    return f"a list of {len(args)} numbers"


def _description(model: type[BaseModel], loc: Place) -> str:
    field = _field(model, loc)
    text = (field.description or "") if field else ""
    return ": " + text.split(". ")[0].rstrip(".") if text else ""


def _field(model: type[BaseModel], loc: Place) -> FieldInfo | None:
    parent = _annotation(model, loc[:-1])
    if loc and isinstance(loc[-1], str) and _is_model(parent):
        fields: dict[str, FieldInfo] = parent.model_fields
        return fields.get(loc[-1])
    return None


def _annotation(annotation: Any, loc: Place) -> Any:
    """The type that stands at `loc` below a type; None when there is none."""
    for part in loc:
        annotation = _plain(annotation)
        if part == "[key]":
            return str
        if _is_model(annotation):
            field = annotation.model_fields.get(str(part))
            annotation = field.annotation if field else None
        else:
            inner = [arg for arg in get_args(annotation) if arg is not Ellipsis]
            annotation = inner[-1] if inner else None
    return _plain(annotation)


def _plain(annotation: Any) -> Any:
    """A type without `Annotated` around it and without `| None`."""
    if get_origin(annotation) is Annotated:
        return _plain(get_args(annotation)[0])
    if get_origin(annotation) in (Union, UnionType):
        options = [arg for arg in get_args(annotation) if arg is not NoneType]
        return _plain(options[0]) if len(options) == 1 else annotation
    return annotation


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def _written(value: object) -> str:
    if isinstance(value, Mapping):
        return f"a table with {', '.join(map(str, value))}" if value else "an empty table"
    if isinstance(value, list | tuple):
        return f"[{', '.join(_written(item) for item in value[:LONGEST])}]"
    if isinstance(value, str):
        return json.dumps(value[: 2 * LONGEST], ensure_ascii=False)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and value.bit_length() > 256:  # longer than a line
        return f"a whole number of {value.bit_length()} bits"
    return str(value).removesuffix(".0")
