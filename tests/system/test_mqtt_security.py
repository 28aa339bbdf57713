"""Passwords and certificates against a real broker, and the bounds of the embedded one."""

import asyncio
import contextlib
import gc
import re
import shutil
import subprocess
import time
from pathlib import Path

import pytest

from polewright.adapters.mqtt.client import watch_topics
from polewright.adapters.mqtt.embedded_broker import EmbeddedBroker
from polewright.adapters.mqtt.instance import find_other_service
from polewright.core.errors import LinkError, UsageError
from polewright.settings.displays import MQTT_PASSWORD_VARIABLE
from tests.system.mqtt_brokers import Mosquitto, settings_for

pytestmark = pytest.mark.broker


def make_password_file(path: Path) -> None:
    arguments = ["mosquitto_passwd", "-b", "-c", str(path), "kudu", "acacia"]
    subprocess.run(arguments, check=True, capture_output=True)
    path.chmod(0o644)


async def test_user_and_password_open_the_broker_and_a_wrong_one_does_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    passwords = tmp_path / "passwords"
    make_password_file(passwords)
    secret = tmp_path / "secret.txt"
    secret.write_text("acacia\n")
    monkeypatch.delenv(MQTT_PASSWORD_VARIABLE, raising=False)
    mosquitto = Mosquitto(tmp_path, f"allow_anonymous false\npassword_file {passwords}\n")
    await mosquitto.start()
    try:
        good = settings_for(mosquitto.port, username="kudu", password_file=secret)
        assert (await find_other_service(good))[0] is None
        monkeypatch.setenv(MQTT_PASSWORD_VARIABLE, "marula")
        with pytest.raises(LinkError, match="does not let this user in") as caught:
            await find_other_service(good)
        assert "marula" not in str(caught.value)
        assert caught.value.code == "broker_refused"
    finally:
        await mosquitto.stop()


def make_certificates(directory: Path, clients: tuple[str, ...] = ("client",)) -> None:
    """Make an authority, and certificates of a broker and of clients signed by it."""

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], check=True, capture_output=True, cwd=directory)

    new = ("req", "-newkey", "rsa:2048", "-nodes")
    # Python 3.13 verifies by RFC 5280 to the letter: 4.2.1.3 key usage, 4.2.1.1 authority key.
    usage = ("-addext", "keyUsage=critical,keyCertSign,cRLSign")
    named = ("-days", "2", "-subj", "/CN=yard", "-keyout", "ca.key", "-out", "ca.pem")
    openssl(*new, "-x509", *usage, *named)
    (directory / "ext").write_text("subjectAltName=IP:127.0.0.1\nauthorityKeyIdentifier=keyid\n")
    for name in ("broker", *clients):
        openssl(*new, *f"-subj /CN={name} -keyout {name}.key -out {name}.csr".split())
        signing = "-req -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile ext"
        openssl("x509", *signing.split(), *f"-in {name}.csr -out {name}.pem".split())
    for path in directory.iterdir():
        path.chmod(0o644)


@pytest.mark.skipif(shutil.which("openssl") is None, reason="makes its certificates by openssl")
# paho 2.2 leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
async def test_tls_with_a_client_certificate_opens_the_broker_and_a_stranger_is_refused(
    tmp_path: Path,
) -> None:
    make_certificates(tmp_path)
    mosquitto = Mosquitto(
        tmp_path,
        f"allow_anonymous true\ncafile {tmp_path}/ca.pem\ncertfile {tmp_path}/broker.pem\n"
        f"keyfile {tmp_path}/broker.key\nrequire_certificate true\n",
    )
    await mosquitto.start()
    try:
        good = settings_for(
            mosquitto.port,
            tls=True,
            ca_file=tmp_path / "ca.pem",
            client_certificate_file=tmp_path / "client.pem",
            client_key_file=tmp_path / "client.key",
        )
        assert (await find_other_service(good))[0] is None
        with pytest.raises(LinkError, match="certificate verify failed"):
            await find_other_service(settings_for(mosquitto.port, tls=True))
        gc.collect()
    finally:
        await mosquitto.stop()


async def test_a_certificate_file_that_is_missing_is_a_usage_error(tmp_path: Path) -> None:
    gone = tmp_path / "gone.pem"
    with pytest.raises(UsageError, match=re.escape(f"ca_file = {gone} cannot be used")):
        await find_other_service(settings_for(1, tls=True, ca_file=gone))


async def test_the_embedded_broker_names_a_taken_port() -> None:
    async with EmbeddedBroker() as first:
        with pytest.raises(LinkError, match=f"cannot listen on 127.0.0.1:{first.port}") as caught:
            await EmbeddedBroker(port=first.port).__aenter__()
        assert caught.value.code == "broker_port_taken"
        assert "external" in caught.value.remedy


def listening_sockets() -> str:
    return Path("/proc/net/tcp").read_text()


async def test_the_embedded_broker_listens_on_loopback_only() -> None:
    with pytest.raises(ValueError, match="loopback only"):
        EmbeddedBroker(host="0.0.0.0")
    async with EmbeddedBroker() as broker:
        listening = listening_sockets()
        assert f"0100007F:{broker.port:04X} 00000000:0000 0A" in listening
        assert f"00000000:{broker.port:04X} 00000000:0000 0A" not in listening


async def test_the_embedded_broker_stops_in_time_beside_a_mute_connection() -> None:
    async with EmbeddedBroker() as broker:
        _, writer = await asyncio.open_connection("127.0.0.1", broker.port)
        await asyncio.sleep(0.1)
        start_s = time.monotonic()
    assert time.monotonic() - start_s < 4.0
    writer.close()
    with contextlib.suppress(ConnectionError):
        await writer.wait_closed()


async def test_a_watcher_is_told_when_the_broker_goes(tmp_path: Path) -> None:
    mosquitto = Mosquitto(tmp_path)
    await mosquitto.start()
    asyncio.get_running_loop().call_later(0.3, lambda: tasks.append(asyncio.ensure_future(stop())))
    tasks: list[asyncio.Future[None]] = []

    async def stop() -> None:
        await mosquitto.stop()

    with pytest.raises(LinkError, match="broke") as caught:
        async for _ in watch_topics(settings_for(mosquitto.port)):
            pass
    assert caught.value.code == "broker_lost"
    await asyncio.gather(*tasks)
