"""The contract for programs: schemas and AsyncAPI say what the models do, and hold together."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft7Validator

from polewright.adapters.mqtt.commands import COMMANDS, read_command
from polewright.adapters.mqtt.inputs import INPUTS
from polewright.adapters.mqtt.payloads import PAYLOADS, SCALAR_SCHEMAS, check_payload
from polewright.core.errors import UsageError
from tests.docs.wire import ASYNCAPI, SCHEMAS, schema_name, wire_files, wire_schemas

DOCUMENT: dict[str, Any] = yaml.safe_load(ASYNCAPI.read_text("utf-8"))
AT = "2026-03-01T18:00:00Z"


@pytest.mark.parametrize("path", sorted(wire_files()), ids=lambda path: path.name)
def test_made_files_are_current(path: Path) -> None:
    """If this fails: `./run docs` makes them anew."""
    assert path.read_text("utf-8") == wire_files()[path]


def test_no_schema_is_left_of_a_topic_that_is_gone() -> None:
    assert {path.name for path in SCHEMAS.glob("*")} == {
        schema_name(topic) for topic in wire_schemas()
    }


@pytest.mark.parametrize("topic", wire_schemas())
def test_every_schema_is_one_of_draft_7_with_words_for_every_field(topic: str) -> None:
    schema = wire_schemas()[topic]
    Draft7Validator.check_schema(schema)
    assert schema["description"]
    for name, form in schema.get("properties", {}).items():
        assert form["description"], name
    assert "$defs" not in json.dumps(schema)


def refs(node: Any) -> list[str]:
    if isinstance(node, dict):
        own = [node["$ref"]] if isinstance(node.get("$ref"), str) else []
        return own + [ref for part in node.values() for ref in refs(part)]
    if isinstance(node, list):
        return [ref for part in node for ref in refs(part)]
    return []


def target(ref: str) -> Any:
    found: Any = DOCUMENT
    for level in ref.removeprefix("#/").split("/"):
        found = found[level]
    return found


def test_every_reference_of_the_asyncapi_document_leads_somewhere() -> None:
    found = refs(DOCUMENT)
    assert len(found) > 100
    for ref in found:
        if ref.startswith("#/"):
            assert target(ref)
        else:
            assert (ASYNCAPI.parent / ref).is_file(), ref


def test_the_asyncapi_document_has_the_parts_that_version_3_demands() -> None:
    """AsyncAPI 3.0.0: the required fields of each object, and what addresses may name."""
    assert re.fullmatch(r"3\.0\.\d+", DOCUMENT["asyncapi"])
    assert {"title", "version"} <= set(DOCUMENT["info"])
    for server in DOCUMENT["servers"].values():
        assert {"host", "protocol"} <= set(server)
    for name, channel in DOCUMENT["channels"].items():
        assert re.fullmatch(r"[A-Za-z0-9._-]+", name)
        assert set(re.findall(r"{(\w+)}", channel["address"])) == set(channel["parameters"])
        assert channel["messages"]
    for operation in DOCUMENT["operations"].values():
        assert operation["action"] in ("send", "receive")
        assert operation["channel"]["$ref"].startswith("#/channels/")
        mqtt = operation["bindings"]["mqtt"]
        assert mqtt["qos"] in (0, 1)
        assert isinstance(mqtt["retain"], bool)
        if "reply" in operation:
            assert target(operation["reply"]["channel"]["$ref"])["address"].endswith("/reply/{id}")


def test_every_topic_is_a_channel_with_an_operation_in_the_right_direction() -> None:
    addresses = {
        target(operation["channel"]["$ref"])["address"]: operation["action"]
        for operation in DOCUMENT["operations"].values()
    }
    expected = {
        "{root}/{mount}/" + topic.replace("+", "{id}"): "send"
        for topic in [*PAYLOADS, *SCALAR_SCHEMAS]
    }
    expected |= {"{root}/{mount}/command/" + verb: "receive" for verb in COMMANDS}
    expected |= {"{root}/{mount}/" + topic: "receive" for topic in INPUTS}
    assert addresses == expected | {"{root}/all/command/stop": "receive"}


GOOD = {
    "state": {"state": "idle", "since": AT, "step": "ready", "percent": 3.5},
    "event": {"level": "warning", "code": "moved", "text": "it moved", "remedy": None},
    "reply/+": {"id": "a", "ok": True, "status": "done", "result": {"x": 1}},
    "targets": {"width_px": 9, "height_px": 9, "stars": [
        {"x_px": 1.0, "y_px": 2, "to_x_px": -3.5, "to_y_px": 4}]},
    "command/survey": {"id": "s", "frames": 5, "target_pole": "true", "exposure_s": 1},
    "command/turned": {"id": "s", "bolt": "azimuth", "turns": -0.25},
    "sensor/input": {"gravity_ms2": [0.0, 5.2, 8.3], "field_ut": [3, -12.5, 20], "t_s": 4.5},
}  # fmt: skip
BAD = [
    ("state", {"state": "asleep"}),
    ("state", {"percent": 101}),
    ("state", {"percent": "3"}),
    ("state", {"colour": "red"}),
    ("state", {"v": 2}),
    ("event", {"level": "fatal"}),
    ("event", {"code": "It Moved"}),
    ("event", {"text": "x" * 1001}),
    ("reply/+", {"id": "a/b"}),
    ("reply/+", {"ok": 1}),
    ("targets", {"stars": [{"x_px": 1.0}]}),
    ("targets", {"width_px": 0}),
    ("command/survey", {"frames": 2}),
    ("command/survey", {"frames": 3.5}),
    ("command/survey", {"target_pole": "up"}),
    ("command/survey", {"id": ""}),
    ("command/turned", {"turns": 51}),
    ("command/turned", {"bolt": None}),
    ("sensor/input", {"gravity_ms2": [0.0, 300.0, 0.0]}),
    ("sensor/input", {"gravity_ms2": [0.0, 9.8]}),
    ("sensor/input", {"field_ut": "north"}),
    ("sensor/input", {"colour": "red"}),
]


def judged_by_the_schema(topic: str, message: dict[str, Any]) -> bool:
    return Draft7Validator(wire_schemas()[topic]).is_valid(message)


def judged_by_the_service(topic: str, message: dict[str, Any]) -> bool:
    text = json.dumps(message)
    try:
        if topic.startswith("command/"):
            read_command(topic.removeprefix("command/"), text.encode(), COMMANDS)
        elif topic in INPUTS:
            INPUTS[topic].model_validate_json(text)
        else:
            check_payload(topic.replace("+", "a"), text)
    except (ValueError, UsageError):
        return False
    return True


@pytest.mark.parametrize("topic", GOOD)
def test_schema_and_service_take_the_same_good_message(topic: str) -> None:
    message = {"v": 1, "at": AT} | GOOD[topic]
    assert judged_by_the_service(topic, message)
    assert judged_by_the_schema(topic, message)


@pytest.mark.parametrize(("topic", "wrong"), BAD)
def test_schema_and_service_refuse_the_same_wrong_message(
    topic: str, wrong: dict[str, Any]
) -> None:
    message = {"v": 1, "at": AT} | GOOD[topic] | wrong
    assert not judged_by_the_service(topic, message)
    assert not judged_by_the_schema(topic, message)
