"""Displays: what terminals make of topics at which anybody may have written."""

import io
import json
from collections.abc import Callable
from typing import Any

from rich.console import Console

from polewright.adapters.mqtt.client import read_payload
from polewright.cli.display import EveningView
from polewright.cli.fleet_drawing import fleet_lines, fleet_screen
from polewright.cli.watching import screenful
from polewright.session.fleet import TOPICS, FleetView, fleet_figures
from tests.fuzz.dice import Dice
from tests.fuzz.messages import _payload, _schema

_SCHEMAS: dict[str, dict[str, Any]] = {topic: _schema(topic) for topic in TOPICS}


def topics() -> Callable[[bytes], None]:
    """Some topics of some mounts, drawn as ``fleet``, ``watch`` and ``status`` do."""

    def run(data: bytes) -> None:
        dice = Dice(data)
        fleet, evening = FleetView(), EveningView()
        for _ in range(1 + dice.below(6)):
            topic = dice.pick(TOPICS)
            raw = b"online" if topic == "availability" else _payload(dice, _SCHEMAS[topic])
            payload = read_payload(raw)
            fleet.take(dice.pick(("kudu", "eland")), topic, payload, retained=dice.one_in(2))
            evening.take(topic, payload)
        width, height = dice.pick((20, 40, 100)), dice.pick((5, 30))
        console = Console(file=io.StringIO(), width=width, height=height)
        rows = fleet.rows()
        json.dumps(fleet_figures(fleet), allow_nan=False)
        fleet_lines(rows, width)
        console.print(fleet_screen(rows, fleet.link, "broker", width=width, height=height))
        console.print(screenful(evening, "kudu", console))
        evening.lines()
        json.dumps(evening.as_message(), allow_nan=False)

    return run
