"""Inputs: what may be told to the service besides commands."""

from collections.abc import Mapping

from polewright.adapters.mqtt.payloads import Body
from polewright.adapters.mqtt.sensor_input import SensorInputPayload
from polewright.adapters.mqtt.topics import SENSOR_INPUT, WATCH_FRAME, WATCH_GUIDE
from polewright.adapters.mqtt.watch_input import WatchFramePayload, WatchGuidePayload

INPUTS: Mapping[str, type[Body]] = {
    SENSOR_INPUT: SensorInputPayload,
    WATCH_FRAME: WatchFramePayload,
    WATCH_GUIDE: WatchGuidePayload,
}
"""Topic below the mount's root and model."""
