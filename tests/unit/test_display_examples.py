"""The examples for simple displays: they run, or their logic does, and say nothing old."""

import ast
import importlib.util
import json
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from polewright.adapters.mqtt.payloads import PAYLOADS, SCALAR_SCHEMAS

DISPLAYS = Path(__file__).parents[2] / "configs" / "displays"
FLOW: list[dict[str, Any]] = json.loads((DISPLAYS / "node-red-flow.json").read_text("utf-8"))

RED, NOTCH, DARK = (60, 0, 0), (4, 0, 0), (0, 0, 0)
BASE = b"polewright/kudu/"


class Bar(dict[int, tuple[int, int, int]]):
    """A strip of LEDs that only remembers."""

    written = 0

    def write(self) -> None:
        self.written += 1


@pytest.fixture
def bars(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The MicroPython example, with stand-ins for the board's own modules."""
    for name in ("machine", "neopixel", "umqtt", "umqtt.simple"):
        monkeypatch.setitem(sys.modules, name, ModuleType(name))
    sys.modules["umqtt.simple"].MQTTClient = object  # type: ignore[attr-defined]
    spec = importlib.util.spec_from_file_location("led_bars", DISPLAYS / "led_bars.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_script_for_the_bars_uses_only_what_micropython_has() -> None:
    """MicroPython has no pathlib, typing, dataclasses, pattern matching, or f"{x=}"."""
    tree = ast.parse((DISPLAYS / "led_bars.py").read_text("utf-8"), feature_version=(3, 5))
    imported = {
        name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names
    } | {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert imported == {"time", "machine", "neopixel", "umqtt.simple", "wifi", "network"}
    assert not [node for node in ast.walk(tree) if isinstance(node, ast.AnnAssign | ast.Match)]


def test_the_led_stands_where_the_axis_stands(bars: Any) -> None:
    assert bars.place_of("0.00") == 7
    assert bars.place_of("60.00") == 14
    assert bars.place_of("-600.00") == 0
    # One arcminute is one LED, a quarter of the full scale half of the way.
    assert bars.place_of("1.00") == 8
    assert bars.place_of("-15.00") == 3
    assert [bars.place_of(text) for text in ("none", "", "--", "nan")] == [None] * 4


def test_no_figure_is_two_dim_ends_and_good_enough_three_in_the_middle(bars: Any) -> None:
    nothing = bars.bar_of("none", good=False)
    assert nothing == [NOTCH, *[DARK] * 13, NOTCH]
    assert bars.bar_of("none", good=True) == nothing
    far = bars.bar_of("60.00", good=False)
    assert far[14] == RED
    assert far[7] == NOTCH
    good = bars.bar_of("0.30", good=True)
    assert good[6:9] == [RED, RED, RED]
    assert {colour for colour in [*far, *good] if colour[1:] != (0, 0)} == set()


def test_the_bars_follow_the_topics_and_forget_what_is_old(bars: Any) -> None:
    now = [0.0]
    altitude, azimuth = Bar(), Bar()
    display = bars.Display(altitude, azimuth, lambda: now[0])
    display.take(BASE + b"correction/altitude_arcmin", b"60.00")
    assert altitude[14] == RED
    assert azimuth[0] == NOTCH
    drawn = altitude.written
    display.take(b"polewright/marten/correction/altitude_arcmin", b"-60.00")
    display.take(BASE + b"correction", b'{"v":1}')
    assert altitude.written == drawn
    display.take(BASE + b"correction/verdict", b"good_enough")
    assert altitude[6] == RED
    now[0] += 41.0
    display.tick()
    assert altitude[14] == NOTCH
    assert altitude[6] == DARK
    display.take(BASE + b"correction/azimuth_arcmin", b"-60.00")
    assert azimuth[0] == RED
    display.take(BASE + b"availability", b"offline")
    assert azimuth[0] == NOTCH


def test_the_bars_subscribe_and_fall_back_when_the_link_breaks(bars: Any) -> None:
    """The client is one that delivers a figure and then breaks, as a lost Wi-Fi does."""
    altitude, azimuth = Bar(), Bar()
    display = bars.Display(altitude, azimuth, lambda: 0.0)

    class Client:
        def __init__(self) -> None:
            self.subscribed: list[bytes] = []
            self.checks = 0

        def set_callback(self, callback: Any) -> None:
            self.callback = callback

        def connect(self) -> None: ...

        def subscribe(self, topic: bytes) -> None:
            self.subscribed.append(topic)

        def check_msg(self) -> None:
            self.checks += 1
            if self.checks > 1:
                raise OSError("reset")
            self.callback(BASE + b"correction/altitude_arcmin", b"60.00")

    client = Client()
    with pytest.raises(OSError, match="reset"):
        bars.listen(display, lambda: client)
    assert altitude[14] == RED
    topics = {topic.decode().removeprefix("polewright/kudu/") for topic in client.subscribed}
    assert topics <= set(SCALAR_SCHEMAS)


def test_the_flow_is_whole_and_reads_topics_of_the_contract() -> None:
    """Every wire leads to a node, every node lies on the one tab, ids are not used twice."""
    nodes = {node["id"]: node for node in FLOW}
    assert len(nodes) == len(FLOW)
    (tab,) = [node for node in FLOW if node["type"] == "tab"]
    (broker,) = [node for node in FLOW if node["type"] == "mqtt-broker"]
    assert not {"user", "password", "credentials"} & set(broker)
    known = {*PAYLOADS, *SCALAR_SCHEMAS, "correction/+"}
    for node in FLOW:
        assert node["type"] in {"tab", "mqtt-broker", "mqtt in", "function", "debug"}
        for wire in node.get("wires", []):
            assert set(wire) <= set(nodes)
        if node["type"] == "mqtt in":
            assert node["broker"] == broker["id"]
            assert node["topic"].removeprefix("polewright/kudu/") in known
        if node not in (tab, broker):
            assert node["z"] == tab["id"]


def run_function(name: str, messages: list[dict[str, Any]]) -> list[Any]:
    """Return what a function node gives for each message, run by node as Node-RED does."""
    (code,) = [node["func"] for node in FLOW if "func" in node and node["name"] == name]
    program = (
        "const kept = {};"
        "const context = { get: (k) => kept[k], set: (k, v) => { kept[k] = v; } };"
        f"const work = new Function('msg', 'context', {json.dumps(code)});"
        f"const out = {json.dumps(messages)}.map((msg) => work(msg, context) ?? null);"
        "process.stdout.write(JSON.stringify(out));"
    )
    done = subprocess.run(["node", "-e", program], capture_output=True, check=True, timeout=30)
    result: list[Any] = json.loads(done.stdout)
    return result


needs_node = pytest.mark.skipif(shutil.which("node") is None, reason="runs function nodes by node")


@needs_node
def test_the_flows_bars_have_a_sign_a_middle_and_no_old_figure() -> None:
    texts = ["15.00", "-15.00", "0.00", "600.00", "none", ""]
    for name in ("altitude bar", "azimuth bar"):
        told = run_function(name, [{"topic": "t", "payload": text} for text in texts])
        assert [one["payload"] for one in told] == [50, -50, 0, 100, 0, 0]
        assert [one["live"] for one in told] == [True] * 4 + [False] * 2
        assert told[4]["label"] == "nothing live"


@needs_node
def test_the_flows_words_follow_both_bolts_and_the_verdict() -> None:
    base = "polewright/kudu/"
    told = run_function(
        "what to do",
        [
            {"topic": base + "correction/altitude_words", "payload": "lower"},
            {"topic": base + "correction/azimuth_words", "payload": "turn east"},
            {"topic": base + "correction/closeness", "payload": "40"},
            {"topic": base + "correction/verdict", "payload": "good_enough"},
            {"topic": base + "correction/verdict", "payload": "none"},
            {"topic": base + "correction/altitude_words", "payload": "--"},
            {"topic": base + "correction/azimuth_words", "payload": "--"},
            {"topic": base + "availability", "payload": "online"},
            {"topic": base + "availability", "payload": "offline"},
        ],
    )
    assert [one and one["payload"] for one in told] == [
        "lower", "lower\nturn east", None, "GOOD ENOUGH - leave the bolts", "lower\nturn east",
        "turn east", "nothing live", None, "the service is offline",
    ]  # fmt: skip


@needs_node
def test_the_flow_shows_nothing_that_a_dead_service_left_behind() -> None:
    """Its last figures stay retained, and come in any order about its last will."""
    base = "polewright/kudu/"
    offline = {"topic": base + "availability", "payload": "offline"}
    online = {"topic": base + "availability", "payload": "online"}
    good = {"topic": base + "correction/verdict", "payload": "good_enough"}
    told = run_function("what to do", [offline, good, online, good])
    assert [one and one["payload"] for one in told] == [
        "the service is offline", None, None, "GOOD ENOUGH - leave the bolts",
    ]  # fmt: skip
    (availability,) = [node for node in FLOW if node.get("topic") == base + "availability"]
    for part in ("altitude", "azimuth"):
        (bar,) = [node for node in FLOW if node.get("name") == f"{part} bar"]
        assert bar["id"] in availability["wires"][0]
        figure = {"topic": f"{base}correction/{part}_arcmin", "payload": "0.10"}
        told = run_function(bar["name"], [figure, offline, figure, online, figure])
        assert [one and one["live"] for one in told] == [True, False, None, None, True]
        assert told[1]["label"] == "nothing live"


@needs_node
def test_the_flow_passes_on_what_is_worth_a_buzz_and_nothing_else() -> None:
    events = [
        {"payload": {"code": "good_enough", "level": "info", "text": "good"}},
        {"payload": {"code": "old_survey", "level": "warning", "text": "old"}},
        {"payload": "not json"},
    ]
    told = run_function("worth a buzz", events)
    assert told[0] == {"topic": "polewright: good enough", "payload": "good", "level": "info"}
    assert told[1:] == [None, None]
