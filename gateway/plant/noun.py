"""The root of every noun of the plant: frozen, and closed to words it does not know."""

from __future__ import annotations

import re
from collections.abc import Iterable
from ipaddress import ip_address
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, StringConstraints, WithJsonSchema

Id = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,62}$")]
"""Name of a site, controller, transducer or loop: it goes into topics, tags and addresses."""

PointName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,62}$")]
"""Name of a point inside its controller."""

PointRef = Annotated[
    str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,62}\.[a-z][a-z0-9_]{0,62}$")
]
"""`controller.point`."""


def _host(text: str) -> str:
    """Resolving what cannot be a name would fail in odd ways, at every try anew."""
    try:
        ip_address(text.partition("%")[0])
    except ValueError:
        pass
    else:
        return text
    try:
        text.encode("idna")
        fits = re.fullmatch(r"[^\s/:@?#%\[\]]*", text) is not None and text.isprintable()
        # 192.168.1.300 or 10.0.0: a slip in an address, and no name ends in a number.
        fits = fits and re.fullmatch(r"[\d.]*\d", text) is None
    except UnicodeError:
        fits = False
    if not fits:
        raise ValueError("a host name or an address, without scheme, brackets or port")
    return text


Host = Annotated[str, AfterValidator(_host)]
"""Name or address of a machine; empty text is let through."""


class Noun(BaseModel):
    """Frozen; unknown keys are faults; NaN and infinity are faults."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, use_attribute_docstrings=True
    )


def one_of(words: Iterable[str]) -> tuple[AfterValidator, WithJsonSchema]:
    """Annotations for a str field that takes only `words`, a list kept once elsewhere as data."""
    allowed = tuple(words)

    def check(word: str) -> str:
        if word not in allowed:
            raise ValueError(f"one of {', '.join(repr(w) for w in allowed)}")
        return word

    return AfterValidator(check), WithJsonSchema({"type": "string", "enum": list(allowed)})
