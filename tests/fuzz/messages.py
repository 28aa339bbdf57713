"""Messages: commands and inputs over MQTT, as they pass the ear, the desk and the publisher."""

import asyncio
import json
import logging
import math
from collections import Counter
from collections.abc import AsyncIterator, Callable
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from jsonschema import Draft7Validator

from polewright.adapters.frames.folder import FrameFolder
from polewright.adapters.mqtt.command_desk import Reply
from polewright.adapters.mqtt.commands import COMMANDS, identifier_in, read_command
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.sensor_input import MqttSensor
from polewright.adapters.mqtt.service import MqttService
from polewright.adapters.mqtt.topics import WATCH_FRAME, WATCH_GUIDE, MountTopics
from polewright.adapters.mqtt.watch_input import WatchInputs
from polewright.core.axis.guide_watch import GuideStar, GuideWatch
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.place import Place
from polewright.ports import GuideOffset, SensorHold
from polewright.settings.model import Settings
from tests.fuzz.dice import Dice, dumped
from tests.fuzz.law import ROOT
from tests.fuzz.virtual_loop import runner

Run = Callable[[bytes], None]

_SCHEMAS = ROOT / "docs" / "schemas"
VERBS = sorted(verb for verb in COMMANDS if (_SCHEMAS / f"command.{verb}.json").exists())
_NOW = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
_TERRACE = Place(latitude_deg=-32.40, longitude_deg=22.70, elevation_m=1250.0)


def _schema(name: str) -> dict[str, Any]:
    return dict(json.loads((_SCHEMAS / f"{name}.json").read_text("utf-8")))


_COMMAND_SCHEMAS = {verb: _schema(f"command.{verb}") for verb in VERBS}
_JUDGES = {verb: Draft7Validator(schema) for verb, schema in _COMMAND_SCHEMAS.items()}
_INPUT_SCHEMAS = {
    name: _schema(name.replace("/", ".")) for name in ("sensor/input", WATCH_FRAME, WATCH_GUIDE)
}


def _payload(dice: Dice, schema: dict[str, Any]) -> bytes:
    match dice.below(8):
        case 0:
            return dice.rest()
        case 1:
            return dice.pick(
                (b"[" * 9000, b'{"id":' * 2000, b"1" * 5000, b"x" * 17000, b"", b"\xff")
            )
        case 2:
            return dumped(dice.json())
        case _:
            made = dice.json_like(schema, odd=dice.pick((6, 30)))
            if isinstance(made, dict) and dice.below(6):
                made["id"] = "id-" + str(dice.below(30))
            return dumped(made)


def command() -> Run:
    """A command's payload for every verb, read as the desk reads it."""

    def run(data: bytes) -> None:
        dice = Dice(data)
        verb = dice.text() if dice.one_in(20) else dice.pick(VERBS)
        payload = _payload(dice, _COMMAND_SCHEMAS.get(verb, {}))
        identifier_in(payload)
        asked = read_command(verb, payload, COMMANDS)
        arguments = json.loads(payload)
        # The published schema knows nothing of the models.
        _JUDGES[verb].validate(arguments)
        assert set(asked.arguments()) <= set(arguments), "an argument that nobody gave"

    return run


class _Ear:
    """A connection on which some messages lie."""

    def __init__(self, messages: list[Any]) -> None:
        self.messages = self
        self._waiting = messages
        self._client = SimpleNamespace(socket=lambda: None)

    def __len__(self) -> int:
        return len(self._waiting)

    async def __aiter__(self) -> AsyncIterator[Any]:
        while self._waiting:
            yield self._waiting.pop(0)


class _Voice:
    async def publish(self, *_: Any, **__: Any) -> None:
        return None


def _topic(dice: Dice, base: str) -> str:
    match dice.below(8):
        case 0:
            return dice.text()
        case 1:
            return f"{base}/{dice.text()}"
        case 2:
            return f"{base}/command/{dice.text()}"
        case 3:
            return "polewright/all/command/stop"
        case 4:
            return f"{base}/{dice.pick(list(_INPUT_SCHEMAS))}"
        case _:
            return f"{base}/command/{dice.pick(VERBS)}"


def bus(folder: Path) -> Run:
    """Messages on any topic, with MQTT 5's properties, as the broker would bring them."""
    settings = Settings.model_validate({"mount": {"slug": "kudu"}})
    topics = MountTopics.of(settings)
    frames = FrameFolder(folder)
    running = runner()

    async def deliver(dice: Dice) -> None:
        obeyed: list[tuple[str, dict[str, Any]]] = []

        async def obey(verb: str, arguments: dict[str, Any], _reply: Reply) -> dict[str, Any]:
            obeyed.append((verb, arguments))
            return {"stopped": True} if verb == "stop" else {}

        publisher = MqttPublisher(topics)
        heard: list[tuple[str, str]] = []
        publisher.tell_also(lambda topic, text, _retain: heard.append((topic, text)))
        sensor = MqttSensor(SensorHold.SQUARE, np.array([0.0, 1.0, 0.0]))
        watch = WatchInputs(frames.name, lambda _offset: None, lambda: _NOW)
        service = MqttService(
            settings,
            publisher,
            obey,
            sensor_input=lambda payload, retained: sensor.take(payload, retained=retained),
            watch_inputs={WATCH_FRAME: watch.take_frame, WATCH_GUIDE: watch.take_guide},
        )
        allowed: Counter[str] = Counter()
        async with asyncio.TaskGroup() as tasks:
            for _ in range(1 + dice.below(4)):
                topic = _topic(dice, topics.base)
                schema = _COMMAND_SCHEMAS.get(topic.rpartition("/")[2], {})
                for name, known in _INPUT_SCHEMAS.items():
                    schema = known if topic.endswith(name) else schema
                payload = _payload(dice, schema)
                told = SimpleNamespace()
                if dice.one_in(3):
                    told.ResponseTopic = _topic(dice, f"{topics.base}/reply")
                if dice.one_in(3):
                    told.CorrelationData = dice.take(8)
                message = SimpleNamespace(
                    topic=topic, payload=payload, retain=dice.one_in(5), properties=told
                )
                ear: Any = _Ear([message])
                service._input_ears = [ear] if dice.one_in(4) else []
                service._stop_ear = ear if topic.endswith("/command/stop") else None
                service._echo_id = "echo"
                await service._receive(ear, _Voice(), tasks)  # type: ignore[arg-type]
                verb = topics.verb(topic)
                if verb in _JUDGES:
                    # A stop is obeyed whatever it says.
                    allowed[verb] += verb == "stop" or _obeyable(verb, payload)
            # Stops that came too fast are obeyed a moment later.
        for verb, times in Counter(verb for verb, _ in obeyed).items():
            assert verb in _JUDGES, "a verb that nobody knows was obeyed"
            assert times <= allowed[verb], "done all the same"
        for topic, _text in heard:
            assert topics.relative(topics.full(topic)) == topic, "an answer on a topic of others"
            assert topic.isprintable(), "an answer on a topic that nobody can subscribe to"
        _ = sensor.reading

    def run(data: bytes) -> None:
        running.run(deliver(Dice(data)))

    return run


def _obeyable(verb: str, payload: bytes) -> bool:
    try:
        return bool(_JUDGES[verb].is_valid(json.loads(payload)))
    except (ValueError, RecursionError):
        return False


def sensor_input() -> Run:
    """What a sensor says at ``sensor/input``, a stream of some messages."""
    schema = _INPUT_SCHEMAS["sensor/input"]

    def run(data: bytes) -> None:
        dice, now = Dice(data), [100.0]
        sensor = MqttSensor(SensorHold.SQUARE, np.array([0.0, 1.0, 0.0]), monotonic=lambda: now[0])
        for _ in range(1 + dice.below(8)):
            now[0] += dice.pick((0.001, 0.05, 1.0, 60.0))
            sensor.take(_payload(dice, schema), retained=dice.one_in(9))
            _ = sensor.reading

    return run


def watch_input(folder: Path) -> Run:
    """What programs that image and guide hand over, on to the watch itself."""
    (folder / "one.fits").write_bytes(b"SIMPLE")
    logging.getLogger("polewright.adapters.frames").setLevel(logging.ERROR)

    def run(data: bytes) -> None:
        dice = Dice(data)
        frames, offsets = FrameFolder(folder), list[GuideOffset]()
        watch = WatchInputs(frames.name, offsets.append, lambda: _NOW)
        for _ in range(1 + dice.below(6)):
            if dice.below(3):
                watch.take_guide(_payload(dice, _INPUT_SCHEMAS[WATCH_GUIDE]), dice.one_in(9))
            else:
                watch.take_frame(_payload(dice, _INPUT_SCHEMAS[WATCH_FRAME]), dice.one_in(9))
        for path in frames._named:
            assert path.resolve().is_relative_to(folder.resolve()), "a file of somebody else"
        guide = GuideWatch(
            axis_enu=np.array([0.0, -math.cos(0.56), math.sin(0.56)]),
            covariance_rad2=np.eye(2) * 1e-8,
            south=True,
        )
        for offset in offsets:
            direction = None
            if offset.hour_angle_deg is not None and offset.declination_deg is not None:
                moment = ObservingMoment.at(_TERRACE, offset.instant)
                direction = moment.enu_from_icrs(
                    moment.icrs_from_of_date(0.1, math.radians(offset.declination_deg))
                )
            guide.see(
                GuideStar(
                    instant=offset.instant,
                    north_rad=offset.declination_arcsec * ARCSEC_RAD,
                    direction_enu=direction,
                    left_alone=True,
                    anew=offset.anew,
                )
            )

    return run
