"""The description of the MQTT side for other programs: an AsyncAPI 3.0 document, made from code.

Topics come from `topics.py`, shapes from `messages.py`. JSON Schemas keep to what draft 7 knows,
which is what AsyncAPI's own schemas build on.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue, models_json_schema
from pydantic_core import core_schema

from .broker import KEEPALIVE_S
from .examples import EXAMPLES
from .messages import (
    AcknowledgeAnswer,
    AcknowledgeRequest,
    AlarmEvent,
    AlarmMessage,
    ControllerMessage,
    FindingEvent,
    LoopMessage,
    StatusMessage,
    TransducerMessage,
)
from .topics import Topics

TOPICS = Topics("{prefix}", "{site}")
FILE = "asyncapi.json"
REFS = "#/components/schemas/{model}"
BINDING = "0.2.0"
"""Version of AsyncAPI's words for MQTT."""

ABOUT = """\
What a Loopwitness gateway says over MQTT 5 or 3.1.1, and what it can be told.

Retained states say how things stand; who connects late knows at once. Events say what happened, \
each at least once: drop a `sequence` that you have had of the same `journal`. `previous` names \
the event of the same topic before it, so that a lost one is noticed. Everything of one site is \
below one level with its id.

It is no fire-alarm or smoke-control component and replaces no listed equipment; alarms over MQTT \
are no substitute for what local codes or the authority having jurisdiction ask for.
"""


@dataclass(frozen=True)
class Channel:
    """One topic. The sort decides direction and retaining."""

    address: str
    message: type[BaseModel]
    sort: Literal["state", "event", "request"]
    words: str


CHANNELS: Mapping[str, Channel] = {
    "status": Channel(
        TOPICS.status,
        StatusMessage,
        "state",
        "Whether the gateway is there: birth, farewell, and the last will.",
    ),
    "loop": Channel(
        TOPICS.loop("{loop}"),
        LoopMessage,
        "state",
        "One loop: at once when something that matters has changed, else every few seconds.",
    ),
    "transducer": Channel(
        TOPICS.transducer("{transducer}"),
        TransducerMessage,
        "state",
        "One transducer: as a loop.",
    ),
    "controller": Channel(
        TOPICS.controller("{controller}"),
        ControllerMessage,
        "state",
        "How one controller answers: as a loop.",
    ),
    "alarm": Channel(
        TOPICS.alarm("{fault}:{subject}"),
        AlarmMessage,
        "state",
        "One alarm, told when it changes. There once it has happened; at rest it stays, with the "
        "state normal, so that nobody takes silence for an alarm or an alarm for silence. Those "
        "with shown = true are what a person should see. Removed when the site file no longer has "
        "its subject.",
    ),
    "findings": Channel(TOPICS.findings, FindingEvent, "event", "Findings raised and cleared."),
    "alarms": Channel(
        TOPICS.alarms,
        AlarmEvent,
        "event",
        "Every transition of every alarm, hidden ones too. Ring a bell for annunciates = true. An "
        "alarm whose subject the site file no longer has ends without one: its retained state is "
        "removed, and its finding cleared.",
    ),
    "acknowledge": Channel(
        TOPICS.acknowledge,
        AcknowledgeRequest,
        "request",
        "A person acknowledges an alarm. Taken only when LOOPWITNESS_MQTT_ACKNOWLEDGE is on. The "
        "broker must let only those publish here who may acknowledge. Retained messages are "
        "ignored; repeating a request does no harm.",
    ),
}

PARAMETERS = {
    "prefix": ("LOOPWITNESS_MQTT_PREFIX", "loopwitness"),
    "site": ("Id of the site.", "harbour-archive"),
    "loop": ("Id of a loop.", "stair-b"),
    "transducer": ("Id of a transducer.", "dp-201"),
    "controller": ("Id of a controller.", "sf-2"),
    "fault": ("Identifier of a fault or a limit.", "open-circuit"),
    "subject": ("Id of what the alarm is about.", "dp-201"),
}


class _Draft7(GenerateJsonSchema):
    """A pair of numbers is told as draft 7 and 2020-12 both read it; no titles made from keys."""

    def field_title_should_be_set(self, schema: object) -> bool:
        del schema
        return False

    def tuple_schema(self, schema: core_schema.TupleSchema) -> JsonSchemaValue:
        items = schema["items_schema"]
        inner = self.generate_inner(items[0])
        if any(self.generate_inner(item) != inner for item in items):
            raise TypeError("a tuple of different things cannot be told in draft 7 and 2020-12")
        return {"type": "array", "items": inner, "minItems": len(items), "maxItems": len(items)}


def document() -> dict[str, Any]:
    """The whole description."""
    return {
        "asyncapi": "3.0.0",
        "info": {"title": "Loopwitness over MQTT", "version": "1.1.0", "description": ABOUT},
        "defaultContentType": "application/json",
        "servers": {
            "plain": _server("mqtt", "1883"),
            "encrypted": _server("secure-mqtt", "8883"),
        },
        "channels": {name: _channel(name) for name in CHANNELS} | {"answer": _answers()},
        "operations": {_verb(name): _operation(name) for name in CHANNELS},
        "components": {
            "schemas": schemas(),
            "messages": {model.__name__: _message(model) for model in EXAMPLES},
            "parameters": {
                name: {"description": words, "examples": [example]}
                for name, (words, example) in PARAMETERS.items()
            },
            "securitySchemes": {
                "password": {"type": "userPassword"},
                "certificate": {"type": "X509"},
            },
        },
    }


def text() -> str:
    """The document as it is written to config/asyncapi.json."""
    return json.dumps(document(), indent=2, ensure_ascii=False) + "\n"


def schemas() -> dict[str, Any]:
    """JSON Schema of every message and what is in it, by name; they refer to REFS."""
    pairs: list[tuple[type[BaseModel], Literal["validation", "serialization"]]] = [
        (model, "validation" if model is AcknowledgeRequest else "serialization")
        for model in EXAMPLES
    ]
    _, made = models_json_schema(pairs, ref_template=REFS, schema_generator=_Draft7)
    return dict(made["$defs"])


def _server(protocol: str, port: str) -> dict[str, Any]:
    schemes = ("password", "certificate") if protocol == "secure-mqtt" else ("password",)
    will = {
        "topic": TOPICS.status, "qos": 1, "retain": True,
        "message": json.dumps({"state": "offline", "reason": "connection lost", "time": None}),
    }  # fmt: skip
    return {
        "host": "{broker}:{port}",
        "protocol": protocol,
        "protocolVersion": "5.0",
        "description": "LOOPWITNESS_MQTT_HOST and _PORT; 3.1.1 with LOOPWITNESS_MQTT_PROTOCOL.",
        "variables": {
            "broker": {"default": "localhost", "description": "Your broker."},
            "port": {"default": port},
        },
        "security": [{"$ref": f"#/components/securitySchemes/{name}"} for name in schemes],
        "bindings": {
            "mqtt": {
                "clientId": "{prefix}-{site}",
                "cleanSession": True,
                "keepAlive": KEEPALIVE_S,
                "lastWill": will,
                "bindingVersion": BINDING,
            }
        },
    }


def _channel(name: str) -> dict[str, Any]:
    channel = CHANNELS[name]
    model = channel.message
    used = [p for p in PARAMETERS if f"{{{p}}}" in channel.address]
    return {
        "address": channel.address,
        "description": channel.words,
        "messages": {model.__name__: {"$ref": f"#/components/messages/{model.__name__}"}},
        "parameters": {p: {"$ref": f"#/components/parameters/{p}"} for p in used},
    }


def _answers() -> dict[str, Any]:
    model = AcknowledgeAnswer.__name__
    return {
        "address": None,
        "description": (
            "The response topic of an MQTT 5 request: one that is not below the site's own topics, "
            f"or one below {TOPICS.answers}. Without a response topic, or while the gateway "
            "itself speaks 3.1.1 (LOOPWITNESS_MQTT_PROTOCOL), there is no answer."
        ),
        "messages": {model: {"$ref": f"#/components/messages/{model}"}},
    }


def _verb(name: str) -> str:
    return f"take-{name}" if CHANNELS[name].sort == "request" else f"send-{name}"


def _operation(name: str) -> dict[str, Any]:
    channel = CHANNELS[name]
    made: dict[str, Any] = {
        "action": "receive" if channel.sort == "request" else "send",
        "channel": {"$ref": f"#/channels/{name}"},
        "summary": channel.words.partition(". ")[0].rstrip(".") + ".",
        "messages": [{"$ref": f"#/channels/{name}/messages/{channel.message.__name__}"}],
    }
    mqtt = {"qos": 1, "bindingVersion": BINDING}
    if channel.sort == "request":
        answer = AcknowledgeAnswer.__name__
        made["reply"] = {
            "address": {"location": "$message.header#/responseTopic"},
            "channel": {"$ref": "#/channels/answer"},
            "messages": [{"$ref": f"#/channels/answer/messages/{answer}"}],
        }
    else:
        mqtt["retain"] = channel.sort == "state"
    return {**made, "bindings": {"mqtt": mqtt}}


def _message(model: type[BaseModel]) -> dict[str, Any]:
    made: dict[str, Any] = {
        "name": model.__name__,
        "summary": (model.__doc__ or "").partition("\n")[0],
        "payload": {"$ref": REFS.format(model=model.__name__)},
        "examples": [
            {"name": name, "payload": one.model_dump(mode="json")} for name, one in EXAMPLES[model]
        ],
    }
    if model is AcknowledgeRequest:
        made["headers"] = {
            "type": "object",
            "description": "Properties of MQTT 5.",
            "properties": {
                "responseTopic": {"type": "string", "description": "Where the answer shall go."},
                "correlationData": {
                    "type": "string", "description": "Comes back unchanged with the answer.",
                },
            },
        }  # fmt: skip
    return made
