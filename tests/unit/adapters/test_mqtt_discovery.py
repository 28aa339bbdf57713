"""What Home Assistant is told: its own rules of the form, and that every topic named exists."""

import json
import re
from typing import Any

from polewright.adapters.mqtt.commands import COMMANDS, read_command
from polewright.adapters.mqtt.discovery import discovery_payload, discovery_topic
from polewright.adapters.mqtt.payloads import PAYLOADS, SCALAR_SCHEMAS
from polewright.adapters.mqtt.topics import MountTopics
from polewright.settings.displays import MqttSettings

KUDU = MountTopics("polewright", "kudu")


def message(topics: MountTopics = KUDU) -> dict[str, Any]:
    decoded: dict[str, Any] = json.loads(discovery_payload(topics))
    return decoded


def test_the_topic_names_the_platform_device_and_is_another_for_every_mount() -> None:
    """Form by Home Assistant's pages: <prefix>/device/<object_id>/config."""
    mqtt = MqttSettings()
    assert discovery_topic(mqtt, KUDU) == "homeassistant/device/polewright_kudu/config"
    others = [MountTopics("polewright", "marten"), MountTopics("yard/polewright", "kudu")]
    names = {discovery_topic(mqtt, one) for one in [KUDU, *others]}
    assert len(names) == 3
    for name in names:
        assert re.fullmatch(r"[a-z]+/device/[a-zA-Z0-9_-]+/config", name)


def test_a_device_message_has_what_home_assistant_demands() -> None:
    """Device discovery demands `device`, `origin` with a name, and per component a platform and a
    unique id; a sensor a state topic, a button a command topic."""
    told = message()
    assert told["device"]["identifiers"]
    assert told["origin"]["name"] == "polewright"
    assert told["availability_topic"] == KUDU.availability
    unique = [component["unique_id"] for component in told["components"].values()]
    assert len(set(unique)) == len(unique)
    other = message(MountTopics("polewright", "marten"))
    assert not set(unique) & {one["unique_id"] for one in other["components"].values()}
    for component in told["components"].values():
        if component["platform"] == "button":
            assert component["command_topic"].startswith("polewright/kudu/command/")
            assert component["retain"] is False
        else:
            assert component["platform"] in ("sensor", "binary_sensor")
            relative = component["state_topic"].removeprefix("polewright/kudu/")
            assert relative in {*PAYLOADS, *SCALAR_SCHEMAS}


def test_live_figures_expire_and_none_is_unknown() -> None:
    components = message()["components"]
    for name in ("altitude_error", "azimuth_error", "total_error"):
        assert components[name]["expire_after"] > 0
        assert "None" in components[name]["value_template"]


def test_the_problem_light_and_the_verdict_use_words_of_the_contract() -> None:
    components = message()["components"]
    assert "'blocked'" in components["problem"]["value_template"]
    assert components["problem"]["device_class"] == "problem"
    assert components["verdict"]["options"] == SCALAR_SCHEMAS["correction/verdict"]["enum"]


def test_a_button_sends_a_command_that_is_taken_and_none_is_a_persons_word() -> None:
    """The template's two fillings replaced by what Home Assistant would fill in."""
    buttons = {n: c for n, c in message()["components"].items() if c["platform"] == "button"}
    assert "stop" in buttons
    assert not {"confirm_clear", "survey", "confirm_solar_filter"} & set(buttons)
    for verb, button in buttons.items():
        filled = re.sub(r"{{ \(now.*? }}", "1772388000000", button["command_template"])
        filled = re.sub(r"{{ \(utcnow.*? }}", "2026-03-01T18:00:20+00:00", filled)
        assert read_command(verb, filled.encode(), COMMANDS).id == "ha-1772388000000"
