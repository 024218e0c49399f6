"""Answers that say no: which place, which value, what is allowed; always as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from pydantic import BaseModel
from starlette.exceptions import HTTPException

from gateway.errors import Fault, LoopwitnessError

_PHRASES = {
    "greater_than_equal": "at least {ge:.12g}",
    "greater_than": "more than {gt:.12g}",
    "less_than_equal": "at most {le:.12g}",
    "less_than": "less than {lt:.12g}",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "finite_number": "a number, neither infinite nor NaN",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "string_type": "text",
    "string_too_short": "text of at least {min_length} character(s)",
    "string_too_long": "text of at most {max_length} characters",
    "literal_error": "{expected}",
    "enum": "{expected}",
    "extra_forbidden": "nothing: it is no name known here",
    "json_invalid": "JSON: {error}",
    "model_attributes_type": "a JSON object, sent with Content-Type: application/json",
}
NAMED = 20
"""Known ids that are listed when an unknown one was asked for."""


class FaultView(BaseModel):
    """One thing wrong with a request: where, what stood there, what may stand there."""

    path: str
    value: str
    allowed: str


class RefusalView(BaseModel):
    """Why a request was not answered."""

    faults: list[FaultView]


class RefusalError(LoopwitnessError):
    """A request that gets an answer of 4xx or 503."""

    def __init__(self, status: int, fault: Fault, headers: Mapping[str, str] | None = None) -> None:
        self.status = status
        self.fault = fault
        self.headers = headers
        super().__init__(str(fault))


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """For a route's `responses`: these statuses carry a RefusalView."""
    words = {
        401: "No token, or a wrong one.",
        403: "Nobody may act on this gateway.",
        404: "There is no such thing; known ids are named.",
        409: "It cannot be done as things stand; what can be done is named.",
        411: "The length of the body is not given.",
        413: "The body is too long.",
        422: "A value in the address or the body cannot be used.",
        429: "Too many wrong tokens from this address.",
        503: "Nothing to show now (no row yet, or the history cannot be read), or an action that "
        "cannot be recorded.",
    }
    return {k: {"model": RefusalView, "description": words[k]} for k in statuses}


def unknown(path: str, value: str, known: Iterable[str]) -> RefusalError:
    """The answer for an id that the site does not have."""
    ids = list(known)
    allowed = ", ".join(ids[:NAMED])
    if len(ids) > NAMED:
        allowed += f" and {len(ids) - NAMED} more"
    return RefusalError(404, Fault(path, f"{value!r} is not known", allowed or "the site has none"))


def answer(status: int, faults: Iterable[Fault], headers: Any = None) -> JSONResponse:
    """Faults as an answer."""
    view = RefusalView(faults=[FaultView(**vars(fault)) for fault in faults])
    return JSONResponse(view.model_dump(), status_code=status, headers=headers)


def _refused(_request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RefusalError)  # noqa: S101 - registered for this kind only
    return answer(error.status, [error.fault], error.headers)


def _invalid(_request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for this kind only
    return answer(422, [_wrong(e) for e in error.errors()])


def _wrong(error: Mapping[str, Any]) -> Fault:
    path = ".".join(map(str, error["loc"]))
    if error["type"] == "missing":
        return Fault(path, "nothing", "a value: it must be given")
    return Fault(path, repr(error.get("input"))[:100], _allowed(error))


def _allowed(error: Mapping[str, Any]) -> str:
    """In our words where the library has words of its own."""
    phrase = _PHRASES.get(error["type"])
    if phrase is None:
        return str(error["msg"]).removeprefix("Value error, ")
    return phrase.format_map(error.get("ctx", {}))


def _http(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)  # noqa: S101 - registered for this kind only
    if error.status_code == 400:  # the library's own word for a body that is no text
        return answer(422, [Fault("body", "cannot be read", "JSON in UTF-8")])
    ways = (error.headers or {}).get("Allow", "GET")
    allowed = ways if error.status_code == 405 else "addresses in /api/v1/openapi.json"
    fault = Fault(request.url.path[:200], str(error.detail), allowed)
    return answer(error.status_code, [fault], error.headers)


def register(app: FastAPI) -> None:
    """Let every refusal of the app take this form."""
    app.add_exception_handler(RefusalError, _refused)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _http)
