"""The example access list and broker configuration, held against a real mosquitto."""

import asyncio
import contextlib
import json
import os
import re
import shutil
import subprocess
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from polewright.adapters.mqtt.client import send_command, watch_topics
from polewright.adapters.mqtt.instance import echo_comes_back
from polewright.adapters.mqtt.publisher import MqttPublisher
from polewright.adapters.mqtt.service import MqttService
from polewright.adapters.mqtt.topics import MountTopics
from polewright.core.errors import LinkError
from polewright.settings.devices import MountSettings
from polewright.settings.displays import MqttSettings
from polewright.settings.model import Settings
from tests.system.mqtt_brokers import Mosquitto, running, settings_for, wait_until
from tests.system.test_mqtt_security import make_certificates

pytestmark = pytest.mark.broker

EXAMPLE = Path(__file__).parents[2] / "configs" / "mosquitto"
USERS = ("kudu", "display", "remote", "homeassistant")
STATE = {"state": "idle", "since": "2026-03-01T18:00:00Z"}


class Session:
    """Remembers what it was asked to do."""

    def __init__(self) -> None:
        self.asked: list[str] = []

    async def __call__(self, verb: str, arguments: dict[str, Any], reply: Any) -> dict[str, Any]:
        self.asked.append(verb)
        return {}


def passwords(directory: Path) -> Path:
    path = directory / "passwords"
    path.touch()
    for user in USERS:
        arguments = ["mosquitto_passwd", "-b", str(path), user, f"{user}-word"]
        subprocess.run(arguments, check=True, capture_output=True)
        (directory / f"{user}.txt").write_text(f"{user}-word\n")
    path.chmod(0o644)
    return path


def settings_of(port: int, user: str, directory: Path, **more: Any) -> Settings:
    return settings_for(port, username=user, password_file=directory / f"{user}.txt", **more)


@contextlib.asynccontextmanager
async def guarded_broker(directory: Path) -> AsyncIterator[Mosquitto]:
    """mosquitto with the example's access list, without encryption."""
    # Read by mosquitto's own user where it drops the rights of root.
    access = directory / "acl"
    shutil.copy(EXAMPLE / "polewright.acl", access)
    access.chmod(0o644)
    mosquitto = Mosquitto(
        directory,
        f"allow_anonymous false\npassword_file {passwords(directory)}\nacl_file {access}\n",
    )
    await mosquitto.start()
    try:
        yield mosquitto
    finally:
        await mosquitto.stop()


def client(port: int, user: str) -> aiomqtt.Client:
    return aiomqtt.Client("127.0.0.1", port, username=user, password=f"{user}-word")


async def test_a_display_sees_everything_and_commands_nothing(tmp_path: Path) -> None:
    async with guarded_broker(tmp_path) as mosquitto:
        settings = settings_of(mosquitto.port, "kudu", tmp_path)
        publisher, session = MqttPublisher(MountTopics.of(settings)), Session()
        service = MqttService(settings, publisher, session)
        async with running(service.run()):
            assert await service.wait_connected(10)
            await wait_until(lambda: service.health()["echo"] == "passed")
            publisher.publish("state", STATE, retain=True)

            async with client(mosquitto.port, "display") as display:
                for verb in ("survey", "stop", "confirm_clear"):
                    topic = f"polewright/kudu/command/{verb}"
                    await display.publish(topic, json.dumps({"id": verb}), qos=1)
                await display.publish("polewright/all/command/stop", '{"id":"all"}', qos=1)
                await display.publish("polewright/kudu/state", "forged", qos=1, retain=True)
            seen = await seen_by("display", mosquitto.port, tmp_path)
            assert seen["availability"] == "online"
            assert seen["state"]["state"] == "idle"
            assert session.asked == []

            remote = settings_of(mosquitto.port, "remote", tmp_path)
            assert await send_command(remote, "confirm_clear", timeout_s=5) == {}
            assert session.asked == ["confirm_clear"]
            async with client(mosquitto.port, "remote") as person:
                await person.publish("polewright/all/command/stop", '{"id":"all"}', qos=1)
            await wait_until(lambda: session.asked == ["confirm_clear", "stop"])

            async with client(mosquitto.port, "homeassistant") as house:
                await house.publish("polewright/kudu/command/survey", '{"id":"h1"}', qos=1)
                await house.publish("polewright/kudu/command/adjust", '{"id":"h2"}', qos=1)
            await wait_until(lambda: session.asked[-1] == "adjust")
            assert "survey" not in session.asked


async def seen_by(user: str, port: int, directory: Path) -> dict[str, Any]:
    told: dict[str, Any] = {}
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(1.0):
            async for update in watch_topics(settings_of(port, user, directory)):
                told[update.topic] = update.payload
    return told


async def test_a_service_cannot_speak_for_another_mount_and_the_doctor_would_notice(
    tmp_path: Path,
) -> None:
    async with guarded_broker(tmp_path) as mosquitto:
        own = settings_of(mosquitto.port, "kudu", tmp_path)
        other = own.model_copy(update={"mount": MountSettings(slug="marten")})
        assert await echo_comes_back(own)
        assert not await echo_comes_back(other)
        assert not await echo_comes_back(settings_of(mosquitto.port, "display", tmp_path))


async def test_nobody_without_a_name_gets_in(tmp_path: Path) -> None:
    async with guarded_broker(tmp_path) as mosquitto:
        with pytest.raises(LinkError) as caught:
            await echo_comes_back(settings_for(mosquitto.port))
        assert caught.value.code == "broker_refused"


class ExampleBroker(Mosquitto):
    """mosquitto with the example configuration as it stands, its paths and port replaced."""

    def __init__(self, directory: Path, *, certificates_only: bool) -> None:
        super().__init__(directory)
        shutil.copy(EXAMPLE / "polewright.acl", directory)
        text = (EXAMPLE / "polewright.conf").read_text("utf-8")
        text = re.sub(r"listener 8883 0\.0\.0\.0", f"listener {self.port} 127.0.0.1", text)
        text = text.replace("/etc/mosquitto/polewright.passwords", str(passwords(directory)))
        text = re.sub(r"/etc/mosquitto/(certs|conf\.d)", str(directory), text)
        if certificates_only:
            text = re.sub(r"(?m)^password_file .*$", "", text)
            text = re.sub(r"(?m)^#(require_certificate|use_identity)", r"\1", text)
        assert "/etc/" not in re.sub(r"(?m)^#.*$", "", text)
        user = os.environ.get("USER", "root")
        (directory / "mosquitto.conf").write_text(f"user {user}\nlog_dest none\n{text}")


@pytest.mark.skipif(shutil.which("openssl") is None, reason="makes its certificates by openssl")
# paho 2.2 leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("certificates_only", [False, True], ids=["passwords", "certificates"])
async def test_the_example_configuration_runs_encrypted_and_lets_the_right_ones_in(
    tmp_path: Path, certificates_only: bool
) -> None:
    """With passwords, and with client certificates whose common name is the user's."""
    make_certificates(tmp_path, clients=("kudu",))
    mosquitto = ExampleBroker(tmp_path, certificates_only=certificates_only)
    await mosquitto.start()
    tls: dict[str, Any] = {"tls": True, "ca_file": tmp_path / "ca.pem"}
    own: dict[str, Any] = {"username": "kudu", "password_file": tmp_path / "kudu.txt"}
    if certificates_only:
        own = {
            "client_certificate_file": tmp_path / "kudu.pem",
            "client_key_file": tmp_path / "kudu.key",
        }
    try:
        settings = settings_for(mosquitto.port, **tls, **own)
        service = MqttService(settings, MqttPublisher(MountTopics.of(settings)), Session())
        async with running(service.run()):
            assert await service.wait_connected(10)
            await wait_until(lambda: service.health()["echo"] == "passed")
            assert service.health()["protocol"] == "5"
        stranger = settings_for(mosquitto.port, **tls)
        with pytest.raises(LinkError):
            await echo_comes_back(stranger)
        plain = settings_for(mosquitto.port, username="kudu", password_file=tmp_path / "kudu.txt")
        with pytest.raises(LinkError):
            await echo_comes_back(plain)
    finally:
        await mosquitto.stop()


async def test_home_assistant_is_told_and_made_to_forget(tmp_path: Path) -> None:
    """Switched on, a retained message; switched off, it is taken away, and only then."""
    mosquitto = Mosquitto(tmp_path)
    await mosquitto.start()
    topic = "homeassistant/device/polewright_kudu/config"

    async def told() -> bytes:
        async with aiomqtt.Client("127.0.0.1", mosquitto.port) as house:
            await house.subscribe("homeassistant/#", qos=1)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(0.5):
                    async for message in house.messages:
                        assert str(message.topic) == topic
                        assert message.retain
                        return bytes(message.payload)
        return b""

    async def run_once(settings: Settings) -> None:
        service = MqttService(settings, MqttPublisher(MountTopics.of(settings)), Session())
        async with running(service.run()):
            assert await service.wait_connected(10)
            await wait_until(lambda: service.health()["echo"] == "passed")

    try:
        off = settings_for(mosquitto.port)
        on = off.model_copy(
            update={"mqtt": MqttSettings(mode="external", port=mosquitto.port, discovery=True)}
        )
        await run_once(off)
        assert await told() == b""
        await run_once(on)
        components = json.loads(await told())["components"]
        assert components["stop"]["command_topic"] == "polewright/kudu/command/stop"
        await run_once(on)
        assert await told()
        await run_once(off)
        assert await told() == b""
    finally:
        await mosquitto.stop()
