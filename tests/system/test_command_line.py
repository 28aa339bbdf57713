"""The command line against services that are there, are not there, or are busy: real processes."""

import asyncio
import contextlib
import json
import signal
import socket
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from polewright.adapters.direct.stop_door import services_here, stop_door
from polewright.adapters.mqtt.embedded_broker import EmbeddedBroker
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.service import MqttService
from polewright.adapters.mqtt.topics import MountTopics
from polewright.core.errors import MeasurementError
from polewright.session.phases import Happening, Phase, advance
from polewright.settings.load import load_settings
from tests.system.commands import POLEWRIGHT, _environment, _runtime_directory
from tests.system.indi_servers import free_port
from tests.system.mqtt_brokers import running, wait_until
from tests.system.test_mqtt_service import CORRECTION
from tests.system.warm_processes import polewright, service

pytestmark = [pytest.mark.broker, pytest.mark.slow]

HOST = "127.0.0.1"
ALL_COMMANDS = [
    ("status",), ("watch", "--once"), ("survey", "--clear"), ("survey", "--by-hand"), ("adjust",),
    ("adjust", "--motors"), ("turned", "altitude", "0.25"), ("solar-filter", "Hoopoe"),
]  # fmt: skip


def settings_file(home: Path, mode: str = "embedded", **ports: int) -> Path:
    file = home / "polewright.toml"
    port = {name: ports.get(name) or free_port() for name in ("mqtt", "page", "indi")}
    file.write_text(
        f'[mount]\nslug = "kudu"\n[mqtt]\nmode = "{mode}"\nport = {port["mqtt"]}\n'
        f"[page]\nport = {port['page']}\n[indi]\nport = {port['indi']}\n"
    )
    return file


@pytest.mark.parametrize("mode", ["embedded", "external", "off"])
async def test_without_a_service_every_command_says_that_first_and_how_to_start_it(
    tmp_path: Path, mode: str
):
    settings_file(tmp_path, mode)
    # Each of them says the same by the same way: all of them once, the other kinds by two.
    commands = ALL_COMMANDS if mode == "embedded" else ALL_COMMANDS[:2]
    for ended in await asyncio.gather(*(polewright(tmp_path, *one) for one in commands)):
        assert ended.code == 3
        said = ended.err.removeprefix("polewright: ")
        assert said.startswith('no polewright service for the mount "kudu" runs on this machine')
        assert "Start it with `polewright run`" in said
        assert said.find("MQTT broker") == -1 or mode == "external"
    stopped = await polewright(tmp_path, "stop")
    assert stopped.code == 3
    assert "the stop reached nobody: no polewright service" in stopped.err
    assert "power switch" in stopped.err
    assert "Start it" not in stopped.err


async def test_a_broker_without_a_service_is_no_service(tmp_path: Path):
    async with EmbeddedBroker() as broker:
        settings_file(tmp_path, "external", mqtt=broker.port)
        for one in (("status",), ("turned", "altitude", "0.25")):
            ended = await polewright(tmp_path, *one)
            assert ended.code == 3
            assert 'no polewright service for the mount "kudu" runs on this machine' in ended.err
            assert f"none elsewhere answers at the MQTT broker at {HOST}:{broker.port}" in ended.err


class Busy:
    """A service that surveys or adjusts until it is stopped, as far as the command line sees."""

    def __init__(self, home: Path, phase: Phase = Phase.IDLE) -> None:
        self.settings = load_settings(settings_file(home))
        self._publisher = MqttPublisher(MountTopics.of(self.settings))
        self.phase = phase
        self.stops = 0
        self._stopped = asyncio.Event()

    async def _obey(self, verb: str, arguments: dict[str, Any], reply: Any) -> dict[str, Any]:
        if verb == "stop":
            return await self.stop()
        self.enter(advance(self.phase, Happening(f"{verb} asked")))
        reply({"step": "place 2 of 3", "percent": 40})
        await self._stopped.wait()
        raise MeasurementError("stopped as asked", remedy="Start again.", code="stopped")

    async def stop(self) -> dict[str, Any]:
        self.stops += 1
        self._stopped.set()
        self.enter(Phase.IDLE)
        return {"stopped": True}

    def enter(self, phase: Phase) -> None:
        self.phase = phase
        state = {"state": phase.value, "since": "2026-03-01T18:00:00Z", "step": "turn the bolts"}
        self._publisher.publish("state", state, retain=True)

    def correct(self, sequence: int, **more: Any) -> None:
        correction = CORRECTION | {"sequence": sequence} | more
        self._publisher.publish("correction", correction, retain=True)

    @contextlib.asynccontextmanager
    async def serving(self) -> AsyncIterator["Busy"]:
        broker = EmbeddedBroker(port=self.settings.mqtt.port)
        async with broker, stop_door(self.settings, self.stop):
            service = MqttService(self.settings, self._publisher, self._obey)
            async with running(service.run()):
                self.enter(self.phase)
                assert await service.wait_connected(5)
                yield self


@pytest.fixture
async def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A person's folder whose stop doors this test shares."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(_runtime_directory(tmp_path)))
    return tmp_path


@contextlib.asynccontextmanager
async def begun(home: Path, *arguments: str) -> AsyncIterator[asyncio.subprocess.Process]:
    """Start a command as a person does, by an interpreter of its own."""
    process = await asyncio.create_subprocess_exec(
        *POLEWRIGHT, *arguments, cwd=home, env=_environment(home),
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        yield process
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


async def interrupted(process: asyncio.subprocess.Process) -> str:
    process.send_signal(signal.SIGINT)
    _, err = await asyncio.wait_for(process.communicate(), 15)
    assert process.returncode == 130
    assert "Traceback" not in err.decode()
    return err.decode()


async def test_ctrl_c_at_a_survey_stops_the_mount_and_says_so(home: Path):
    async with Busy(home).serving() as evening, begun(home, "survey") as process:
        await wait_until(lambda: evening.phase is Phase.SURVEYING, 20)
        said = await interrupted(process)
        # By the broker and directly.
        assert evening.stops == 2
        assert evening.phase is Phase.IDLE
        assert "Ctrl-C: stopping the mount" in said
        assert "stopped: nothing moves any more" in said


async def test_ctrl_c_at_an_adjustment_leaves_it_going_and_says_how_to_end_it(home: Path):
    async with Busy(home).serving() as evening, begun(home, "adjust") as process:
        await wait_until(lambda: evening.phase is Phase.ADJUSTING, 20)
        said = await interrupted(process)
        assert "The adjustment goes on" in said
        assert "`polewright stop` ends it" in said
        assert (evening.stops, evening.phase) == (0, Phase.ADJUSTING)


async def test_ctrl_c_while_motors_turn_the_bolts_stops_them(home: Path):
    async with Busy(home).serving() as evening, begun(home, "adjust", "--motors") as process:
        await wait_until(lambda: evening.phase is Phase.ADJUSTING, 20)
        said = await interrupted(process)
        assert "stopped: nothing moves any more" in said
        assert (evening.stops, evening.phase) == (2, Phase.IDLE)


async def test_a_second_adjust_shows_the_one_that_runs_to_its_end(home: Path):
    async with Busy(home, Phase.ADJUSTING).serving() as evening, begun(home, "adjust") as process:
        assert process.stderr is not None
        line = (await asyncio.wait_for(process.stderr.readline(), 20)).decode()
        assert line == "An adjustment is running already: this shows it.\n"
        evening.correct(1)
        line = (await asyncio.wait_for(process.stderr.readline(), 20)).decode()
        assert line.strip().startswith("NOT YET - turn on: off by 7.09 arcmin")
        assert "lower the axis 3.2 arcmin" in line
        evening.correct(2, verdict="good_enough", total_error_arcmin=0.3)
        await asyncio.wait_for(process.stderr.readline(), 20)
        evening.enter(Phase.IDLE)
        out, _ = await asyncio.wait_for(process.communicate(), 15)
        assert process.returncode == 0
        assert out.decode().startswith("GOOD ENOUGH - leave the bolts: off by 0.30 arcmin")
        assert evening.stops == 0


async def test_until_good_leaves_a_joined_adjustment_when_it_is_good(home: Path):
    async with (
        Busy(home, Phase.ADJUSTING).serving() as evening,
        begun(home, "adjust", "--until-good", "--json") as process,
    ):
        await asyncio.sleep(0.5)
        evening.correct(1, verdict="good_enough", total_error_arcmin=0.3)
        out, _ = await asyncio.wait_for(process.communicate(), 20)
        assert process.returncode == 0
        assert json.loads(out)["verdict"] == "good_enough"
        assert evening.phase is Phase.ADJUSTING


@pytest.mark.parametrize(
    ("phase", "command", "words"),
    [
        (Phase.SURVEYING, ("adjust",), "a survey is running, so an adjustment cannot begin"),
        (Phase.ADJUSTING, ("survey",), "an adjustment is running, so a survey cannot begin"),
        (Phase.SURVEYING, ("survey",), "a survey is running, so another one cannot begin"),
        (Phase.ADJUSTING, ("adjust", "--motors"), "so another one cannot begin"),
    ],
)
async def test_what_cannot_begin_is_refused_in_plain_words(
    home: Path, phase: Phase, command: tuple[str, ...], words: str
):
    async with Busy(home, phase).serving() as evening:
        ended = await polewright(home, *command)
        assert ended.code == 3
        assert words in ended.err
        assert "`polewright stop`" in ended.err
        assert (evening.phase, evening.stops) == (phase, 0)


async def until_it_is_here(home: Path) -> None:
    """Wait until a service has opened the door by which commands on this machine find it."""
    settings = load_settings(home / "polewright.toml")
    async with asyncio.timeout(30):
        while not await services_here(settings):  # noqa: ASYNC110 - it is another process
            await asyncio.sleep(0.05)


async def test_the_page_says_whether_it_is_there_or_something_else_is(home: Path):
    ended = await polewright(home, "page", "--config", str(settings_file(home)))
    assert ended.code == 0
    assert ended.out.startswith("http://127.0.0.1:")
    assert "The service is not running" in ended.err
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        settings_file(home, page=other.getsockname()[1])
        ended = await polewright(home, "page")
        assert ended.code == 3
        assert "something else listens at" in ended.err
        assert not ended.out
        # With the service there, it is the service that says why its page is not.
        async with service(home):
            await until_it_is_here(home)
            ended = await polewright(home, "page")
            assert ended.code == 3
            assert "the service runs, but without its page" in ended.err


async def test_a_second_service_is_refused_with_the_first_ones_process(home: Path):
    settings_file(home)
    async with service(home):
        await until_it_is_here(home)
        second = await polewright(home, "run")
        assert second.code == 2
        assert 'the service for the mount "kudu" runs already' in second.err
        assert "Ctrl-C in its terminal, or kill " in second.err
        page = await polewright(home, "page")
        assert page.code == 0
        assert page.err == ""
