"""The AsyncAPI document: as the code makes it, valid by AsyncAPI's own schema, examples too."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from gateway.publish import asyncapi
from gateway.publish.examples import EXAMPLES
from gateway.publish.messages import AcknowledgeRequest, AlarmEvent, AlarmMessage
from gateway.publish.topics import Topics
from tests.publish.described import DOCUMENT, message_of, validate

ROOT = Path(__file__).parents[2]
OFFICIAL = Path(__file__).parent / "asyncapi" / "3.0.0.json"


def official() -> jsonschema.Draft7Validator:
    return jsonschema.Draft7Validator(json.loads(OFFICIAL.read_text(encoding="utf-8")))


def test_file_on_disk_is_what_the_code_makes() -> None:
    text = (ROOT / "config" / asyncapi.FILE).read_text(encoding="utf-8")
    assert text == asyncapi.text(), "run deploy/write_schemas.py"


def test_valid_by_asyncapis_own_schema() -> None:
    official().validate(DOCUMENT)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("asyncapi",), "2.0.0"),
        (("channels", "loop", "address"), 1),
        (("operations", "send-loop", "action"), "shout"),
        (("operations", "send-loop", "bindings", "mqtt", "qos"), 7),
        (("components", "messages", "LoopMessage", "payload"), 1),
    ],
)
def test_that_schema_has_teeth(path: tuple[str, ...], value: object) -> None:
    spoiled = copy.deepcopy(DOCUMENT)
    place: Any = spoiled
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        official().validate(spoiled)


def refs(node: object) -> list[str]:
    """Every reference below a node."""
    if isinstance(node, dict):
        own = [node["$ref"]] if isinstance(node.get("$ref"), str) else []
        return own + [ref for value in node.values() for ref in refs(value)]
    if isinstance(node, list):
        return [ref for value in node for ref in refs(value)]
    return []


@pytest.mark.parametrize("ref", sorted(set(refs(DOCUMENT))))
def test_every_reference_leads_somewhere(ref: str) -> None:
    place: Any = DOCUMENT
    for key in ref.removeprefix("#/").split("/"):
        place = place[key]
    assert place


def test_every_schema_is_read_alike_by_both_drafts() -> None:
    for name, schema in DOCUMENT["components"]["schemas"].items():
        jsonschema.Draft7Validator.check_schema(schema)
        jsonschema.Draft202012Validator.check_schema(schema)
        assert "prefixItems" not in json.dumps(schema), name


MESSAGES = DOCUMENT["components"]["messages"]


@pytest.mark.parametrize("name", list(MESSAGES))
def test_every_message_has_examples_that_fit_its_schema(name: str) -> None:
    examples = MESSAGES[name]["examples"]
    assert examples
    for example in examples:
        validate(name, example["payload"])


@pytest.mark.parametrize("name", list(MESSAGES))
def test_every_example_with_a_key_less_or_of_another_sort_does_not_fit(name: str) -> None:
    for example in MESSAGES[name]["examples"]:
        for key, value in example["payload"].items():
            if name == AcknowledgeRequest.__name__ and key == "comment":
                continue  # may be left out
            less = {k: v for k, v in example["payload"].items() if k != key}
            with pytest.raises(jsonschema.ValidationError):
                validate(name, less)
            odd = 5 if isinstance(value, str | list | dict) else "odd"
            if value is not None:
                with pytest.raises(jsonschema.ValidationError):
                    validate(name, example["payload"] | {key: odd})


def test_states_and_events_are_told_by_name() -> None:
    schemas = DOCUMENT["components"]["schemas"]
    assert "active unacknowledged" in schemas["State"]["enum"]
    assert "acknowledge" in schemas["Event"]["enum"]
    for model in (AlarmMessage, AlarmEvent):
        assert "#/components/schemas/State" in refs(schemas[model.__name__])


def test_every_topic_of_the_code_is_described() -> None:
    topics = Topics("plant/pressure", "harbour-archive")
    told = {
        topics.status: "StatusMessage",
        topics.loop("stair-b"): "LoopMessage",
        topics.transducer("dp-201"): "TransducerMessage",
        topics.controller("sf-2"): "ControllerMessage",
        topics.alarm("open-circuit:dp-201"): "AlarmMessage",
        topics.findings: "FindingEvent",
        topics.alarms: "AlarmEvent",
        topics.acknowledge: "AcknowledgeRequest",
    }
    assert {topic: message_of(topic, topics) for topic in told} == told
    described = [c["address"] for c in DOCUMENT["channels"].values() if c["address"]]
    assert len(described) == len(told)
    assert {model.__name__ for model in EXAMPLES} == {*told.values(), "AcknowledgeAnswer"}


def test_only_the_acknowledgement_is_received() -> None:
    actions = {name: o["action"] for name, o in DOCUMENT["operations"].items()}
    assert [name for name, action in actions.items() if action == "receive"] == ["take-acknowledge"]
    reply = DOCUMENT["operations"]["take-acknowledge"]["reply"]
    assert reply["channel"]["$ref"] == "#/channels/answer"


@pytest.mark.parametrize("name", list(asyncapi.CHANNELS))
def test_every_topic_is_in_the_readme(name: str) -> None:
    tail = asyncapi.CHANNELS[name].address.removeprefix(asyncapi.TOPICS.root)
    assert f"`{tail}`" in (ROOT / "README.md").read_text(encoding="utf-8")
