"""Discovery: what Home Assistant has to be told to show a mount, by MQTT discovery of devices.

One retained message describes the whole device.  Source of the form and its words: the Home
Assistant documentation, "MQTT discovery", device discovery payload, and the pages of the
platforms ``sensor``, ``binary_sensor`` and ``button``.
"""

import json
from typing import Any

from polewright import __version__
from polewright.adapters.mqtt.topics import MountTopics
from polewright.settings.displays import MqttSettings

# A live figure that nobody renews is taken off (s); the service itself does so earlier.
EXPIRE_AFTER_S = 60

# An error that is not known is the text "none"; Home Assistant's word for it is None.
_NUMBER_OR_NONE = "{{ value if value != 'none' else None }}"
_WORDS = "{{ value if value != '--' else 'nothing live' }}"
# Every press is a command of its own; one that lay about is not obeyed.
_COMMAND = (
    '{"id": "ha-{{ (now().timestamp() * 1000) | int }}", '
    '"expires": "{{ (utcnow() + timedelta(seconds=20)).isoformat() }}"}'
)


def discovery_topic(mqtt: MqttSettings, topics: MountTopics) -> str:
    """Return the full topic of the one discovery message of a mount."""
    return f"{mqtt.discovery_prefix}/device/{_identifier(topics)}/config"


def discovery_payload(topics: MountTopics) -> bytes:
    """Return the discovery message: the device, its sensors, its problem light, its buttons.

    A button that would move the mount without a look at it is left out on purpose: ``survey``
    needs ``confirm_clear``, which is a person's word at the mount.
    """
    identifier = _identifier(topics)
    message = {
        "device": {
            "identifiers": [identifier],
            "name": f"polewright {topics.mount}",
            "sw_version": __version__,
        },
        "origin": {"name": "polewright", "sw_version": __version__},
        "availability_topic": topics.availability,
        "payload_available": "online",
        "payload_not_available": "offline",
        "components": {
            name: component | {"unique_id": f"{identifier}_{name}"}
            for name, component in _components(topics).items()
        },
    }
    return json.dumps(message, separators=(",", ":")).encode()


def _components(topics: MountTopics) -> dict[str, dict[str, Any]]:
    errors = {
        f"{part}_error": {
            "platform": "sensor",
            "name": f"{part.capitalize()} error",
            "state_topic": topics.full(f"correction/{part}_arcmin"),
            "unit_of_measurement": "arcmin",
            "state_class": "measurement",
            "suggested_display_precision": 2,
            "value_template": _NUMBER_OR_NONE,
            "expire_after": EXPIRE_AFTER_S,
        }
        for part in ("altitude", "azimuth", "total")
    }
    words = {
        f"{part}_words": {
            "platform": "sensor",
            "name": f"{part.capitalize()} bolt",
            "state_topic": topics.full(f"correction/{part}_words"),
            "value_template": _WORDS,
            "icon": "mdi:wrench",
        }
        for part in ("altitude", "azimuth")
    }
    buttons = {
        verb: {
            "platform": "button",
            "name": name,
            "command_topic": topics.command(verb),
            "command_template": _COMMAND,
            "qos": 1,
            "retain": False,
            "icon": icon,
        }
        for verb, name, icon in (
            ("stop", "Stop", "mdi:stop"),
            ("adjust", "Adjust", "mdi:wrench-clock"),
        )
    }
    return {
        **errors,
        **words,
        "verdict": {
            "platform": "sensor",
            "name": "Verdict",
            "state_topic": topics.full("correction/verdict"),
            "device_class": "enum",
            "options": ["good_enough", "not_yet", "cannot_tell", "none"],
        },
        "closeness": {
            "platform": "sensor",
            "name": "Closeness",
            "state_topic": topics.full("correction/closeness"),
            "unit_of_measurement": "%",
            "expire_after": EXPIRE_AFTER_S,
        },
        "survey_error": {
            "platform": "sensor",
            "name": "Error at the last survey",
            "state_topic": topics.full("survey"),
            "unit_of_measurement": "arcmin",
            "suggested_display_precision": 2,
            "value_template": "{{ value_json.total_error_arcmin }}",
            "json_attributes_topic": topics.full("survey"),
        },
        "state": {
            "platform": "sensor",
            "name": "State",
            "state_topic": topics.full("state"),
            "value_template": "{{ value_json.state }}",
            "json_attributes_topic": topics.full("state"),
        },
        "verification": {
            "platform": "sensor",
            "name": "Last verification",
            "state_topic": topics.full("schedule"),
            "device_class": "enum",
            "options": ["good_enough", "not_yet", "cannot_tell", "none"],
            "value_template": ("{{ value_json.last.verdict if value_json.last else 'none' }}"),
            "json_attributes_topic": topics.full("schedule"),
            "json_attributes_template": "{{ (value_json.last or {}) | tojson }}",
        },
        "next_verification": {
            "platform": "sensor",
            "name": "Next verification",
            "state_topic": topics.full("schedule"),
            "device_class": "timestamp",
            "value_template": "{{ value_json.next.due if value_json.next else None }}",
        },
        "moved": {
            "platform": "binary_sensor",
            "name": "Moved since it was measured",
            "state_topic": topics.full("schedule"),
            "device_class": "problem",
            "value_template": (
                "{{ 'ON' if value_json.last and value_json.last.moved else 'OFF' }}"
            ),
        },
        "problem": {
            "platform": "binary_sensor",
            "name": "Blocked",
            "state_topic": topics.full("state"),
            "device_class": "problem",
            "value_template": "{{ 'ON' if value_json.state == 'blocked' else 'OFF' }}",
        },
        **buttons,
        # A look only: a survey moves the mount.
        "verify": {
            "platform": "button",
            "name": "Verify by a look",
            "command_topic": topics.command("verify"),
            "command_template": _COMMAND[:-1] + ', "depth": "quick"}',
            "qos": 1,
            "retain": False,
            "icon": "mdi:telescope",
        },
    }


def _identifier(topics: MountTopics) -> str:
    """Return the mount's name among all devices; roots with levels stay apart, too."""
    return f"{topics.root.replace('/', '_')}_{topics.mount}"
