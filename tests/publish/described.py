"""Messages held against the AsyncAPI document in config."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema

from gateway.publish.topics import Topics

FILE = Path(__file__).parents[2] / "config" / "asyncapi.json"
DOCUMENT: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))


@cache
def _validator(message: str) -> jsonschema.Draft7Validator:
    ref = DOCUMENT["components"]["messages"][message]["payload"]["$ref"]
    # One step down: beside a "$ref" draft 7 looks at nothing else.
    schema = {"allOf": [{"$ref": ref}], "components": DOCUMENT["components"]}
    return jsonschema.Draft7Validator(schema)


def validate(message: str, payload: object) -> None:
    """ValidationError unless a payload is what the document says of a message."""
    _validator(message).validate(payload)


def message_of(topic: str, topics: Topics) -> str:
    """Name of the message that the document describes at a topic; LookupError when it does not."""
    for channel in DOCUMENT["channels"].values():
        if channel["address"] is None:
            continue
        address = channel["address"].replace("{prefix}", topics.prefix)
        address = address.replace("{site}", topics.site)
        if re.fullmatch(re.sub(r"\{[a-z]+\}", "[^/]+", address), topic):
            (message,) = channel["messages"]
            return str(message)
    raise LookupError(topic)


def fit(messages: Iterable[Mapping[str, Any]], topics: Topics) -> set[str]:
    """Hold what a broker delivered against the document; names of the messages that were there.

    Answers are looked for below the site's own topics. Nothing beyond what is described may be
    in a message.
    """
    names = set()
    for one in messages:
        topic = one["topic"]
        answer = topic.startswith(f"{topics.answers}/")
        name = "AcknowledgeAnswer" if answer else message_of(topic, topics)
        validate(name, one["payload"])
        keys = DOCUMENT["components"]["schemas"][name]["properties"].keys()
        assert one["payload"].keys() <= keys, topic
        names.add(name)
    return names
