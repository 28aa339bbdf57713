"""The contract for programs: a JSON Schema for each topic, and the whole as AsyncAPI 3.

Made from the payload models by ``./run docs``.  Sources of the forms: JSON Schema draft 7;
AsyncAPI Specification 3.0.0 with its MQTT bindings 0.2.0.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import yaml

from polewright.adapters.mqtt.commands import COMMANDS
from polewright.adapters.mqtt.inputs import INPUTS
from polewright.adapters.mqtt.payloads import (
    CONTRACT_VERSION,
    PAYLOADS,
    SCALAR_SCHEMAS,
    payload_schemas,
)
from tests.docs.blocks import PAGES
from tests.docs.meanings import ARGUMENTS, FIELDS, RETAINED, TOPICS

SCHEMAS = PAGES / "schemas"
ASYNCAPI = PAGES / "asyncapi.yaml"

_DRAFT = "http://json-schema.org/draft-07/schema#"
_FORMAT = "application/schema+json;version=draft-07"
_BINDING = "0.2.0"
_WITHOUT_ACKNOWLEDGEMENT = ("correction", "targets", "sensor")


def wire_files() -> dict[Path, str]:
    """Return every file of the contract, and what it holds."""
    files = {
        SCHEMAS / schema_name(topic): json.dumps(schema, indent=2) + "\n"
        for topic, schema in wire_schemas().items()
    }
    return files | {ASYNCAPI: _asyncapi_text()}


def schema_name(topic: str) -> str:
    """Return the file name of a topic's schema."""
    return topic.removesuffix("/+").replace("/", ".") + ".json"


def wire_schemas() -> dict[str, dict[str, Any]]:
    """Return a self-contained schema for each topic, with words for every field."""
    return {topic: _schema(topic, schema) for topic, schema in payload_schemas().items()}


def asyncapi() -> dict[str, Any]:
    """Return the contract as one AsyncAPI document, told from the service's side."""
    sent = {_name(topic): topic for topic in [*PAYLOADS, *SCALAR_SCHEMAS]}
    received = {f"command_{verb}": f"command/{verb}" for verb in COMMANDS}
    told = {_name(topic): topic for topic in INPUTS}
    channels = {name: _channel(name, topic) for name, topic in (sent | received | told).items()}
    channels["stop_all"] = {
        "address": "{root}/all/command/stop",
        "title": "Stop every mount of this broker",
        "parameters": {"root": {"$ref": "#/components/parameters/root"}},
        "messages": {"command_stop": {"$ref": "#/components/messages/command_stop"}},
    }
    operations: dict[str, Any] = {}
    for name, topic in sent.items():
        operations[f"send_{name}"] = {
            "action": "send",
            "channel": {"$ref": f"#/channels/{name}"},
            "bindings": {
                "mqtt": {
                    "qos": 0 if topic.startswith(_WITHOUT_ACKNOWLEDGEMENT) else 1,
                    "retain": is_retained(topic),
                    "bindingVersion": _BINDING,
                }
            },
        }
    for name in [*received, "stop_all"]:
        operations[f"receive_{name}"] = {
            "action": "receive",
            "channel": {"$ref": f"#/channels/{name}"},
            "bindings": {"mqtt": {"qos": 1, "retain": False, "bindingVersion": _BINDING}},
            "reply": {"channel": {"$ref": "#/channels/reply"}},
        }
    for name in told:
        operations[f"receive_{name}"] = {
            "action": "receive",
            "channel": {"$ref": f"#/channels/{name}"},
            "bindings": {"mqtt": {"qos": 0, "retain": False, "bindingVersion": _BINDING}},
        }
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "polewright",
            "version": f"{CONTRACT_VERSION}.0.0",
            "description": "What polewright tells displays over MQTT, and the commands it takes. "
            "The pages mqtt.md and displays.md explain it.",
        },
        "defaultContentType": "application/json",
        "servers": {
            "embedded": {
                "host": "127.0.0.1:1883",
                "protocol": "mqtt",
                "protocolVersion": "3.1.1",
                "description": "The broker inside polewright; this machine only.",
            },
            "external": {
                "host": "{host}:{port}",
                "protocol": "secure-mqtt",
                "protocolVersion": "5",
                "description": "A broker of your own; 3.1.1 is spoken where it knows no better.",
                "variables": {"host": {"default": "broker.local"}, "port": {"default": "8883"}},
            },
        },
        "channels": channels,
        "operations": operations,
        "components": {
            "parameters": {
                "root": {"description": "`[mqtt] root` in the settings", "default": "polewright"},
                "mount": {"description": "`[mount] slug` in the settings", "default": "mount"},
                "id": {
                    "description": "the id of the command that is answered",
                    "location": "$message.payload#/id",
                },
            },
            "messages": {name: _message(topic) for name, topic in (sent | received | told).items()},
        },
    }


def is_retained(topic: str) -> bool:
    """Return whether the broker keeps the last message of a topic."""
    return RETAINED.get(topic, topic.startswith("correction/"))


def _asyncapi_text() -> str:
    head = "# Made by `./run docs` from the payload models; edits are lost.\n"
    text: str = yaml.safe_dump(asyncapi(), sort_keys=False, allow_unicode=True, width=100)
    return head + text


def _name(topic: str) -> str:
    return topic.removesuffix("/+").replace("/", "_")


def _channel(name: str, topic: str) -> dict[str, Any]:
    parameters = ["root", "mount", *(["id"] if topic.endswith("/+") else [])]
    return {
        "address": "{root}/{mount}/" + topic.replace("+", "{id}"),
        "title": topic,
        "parameters": {one: {"$ref": f"#/components/parameters/{one}"} for one in parameters},
        "messages": {name: {"$ref": f"#/components/messages/{name}"}},
    }


def _message(topic: str) -> dict[str, Any]:
    message: dict[str, Any] = {
        "name": topic,
        "summary": _summary(topic),
        "contentType": "text/plain" if topic in SCALAR_SCHEMAS else "application/json",
        "payload": {
            "schemaFormat": _FORMAT,
            "schema": {"$ref": f"./schemas/{schema_name(topic)}"},
        },
    }
    if topic.startswith(("command/", "reply/")):
        message["correlationId"] = {"location": "$message.payload#/id"}
    return message


def _summary(topic: str) -> str:
    if topic.startswith("command/"):
        words = COMMANDS[topic.removeprefix("command/")].__doc__ or ""
        return " ".join(words.split("\n\n")[0].split()).replace("``", "`")
    return TOPICS[topic]


def _schema(topic: str, made: Mapping[str, Any]) -> dict[str, Any]:
    """Return a schema as draft 7 writes it: `definitions` where pydantic says `$defs`."""
    text = json.dumps(made).replace("#/$defs/", "#/definitions/")
    schema = json.loads(text)
    if "$defs" in schema:
        schema["definitions"] = schema.pop("$defs")
    words = FIELDS | ARGUMENTS if topic.startswith("command/") else FIELDS
    for name, form in schema.get("properties", {}).items():
        form.pop("title", None)
        form["description"] = words[name]
    head = {"$schema": _DRAFT, "title": topic, "description": _summary(topic)}
    return head | {k: v for k, v in schema.items() if k not in ("title", "description")}
