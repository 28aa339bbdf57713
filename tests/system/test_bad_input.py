"""What a tired person gets wrong: one line, what it means, what to do; never a traceback."""

import json
import struct
import zlib

import numpy as np
import pytest
from astropy.io import fits

from tests.full_run import in_full
from tests.system.commands import Ended
from tests.system.evening_processes import STARTED_S, write_sky
from tests.system.fake_indi_server import define, fake_server
from tests.system.indi_servers import free_port, indi_server, needs_indiserver
from tests.system.mqtt_brokers import Listener, Mosquitto, listening, wait_until
from tests.system.warm_processes import polewright, service, simulator_door

pytestmark = [pytest.mark.slow, pytest.mark.timeout(300)]

SITE = "[site]\nlatitude_deg = -32.4\nlongitude_deg = 22.7\n[mount]\nslug = 'kudu'\n"


def _assert_one_line_with_a_remedy(ended: Ended, code: int) -> str:
    assert ended.code == code, ended.err
    assert "Traceback" not in ended.err + ended.out
    lines = [line for line in ended.err.splitlines() if line.startswith("polewright:")]
    assert len(lines) == 1
    assert len(lines[0].split(". ")) >= 2, "no remedy"
    return lines[0]


async def _until_state(listener: Listener, says: str) -> None:
    """Wait until the newest state says this: the service is a process that has to start."""
    await wait_until(lambda: says in "".join(listener.texts("state")[-1:]), STARTED_S)


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("[camera]\nexposure_s = 'long'\n", ["line 2", "exposure_s", "long", "0.001 to 120"]),
        ("[site]\n\nlatitude_deg = 95\nlongitude_deg = 0\n", ["line 3", "latitude_deg", "95"]),
        ("[camera]\nexposure = 3\n", ["line 2", "exposure", "exposure_s"]),
        ("[survey\n", ["line 1"]),
    ],
)
async def test_a_wrong_setting_is_named_with_its_value_line_and_what_is_allowed(
    tmp_path, text, names
):
    config = tmp_path / "wrong.toml"
    config.write_text(text)
    for command in (["config", "check", str(config)], ["run", "--config", str(config)]):
        ended = await polewright(tmp_path, *command)
        assert ended.code == 2
        assert "Traceback" not in ended.err
        for name in names:
            assert name in ended.err


async def test_a_command_without_a_broker_says_so(tmp_path):
    config = tmp_path / "polewright.toml"
    config.write_text(SITE + f"[mqtt]\nmode = 'external'\nport = {free_port()}\n")
    for verb in ("survey", "adjust", "stop", "status"):
        ended = await polewright(tmp_path, verb, "--config", str(config))
        assert "broker" in _assert_one_line_with_a_remedy(ended, 3)


@pytest.mark.broker
async def test_a_command_without_a_service_says_so(tmp_path):
    broker = Mosquitto(tmp_path)
    await broker.start()
    try:
        config = tmp_path / "polewright.toml"
        config.write_text(SITE + f"[mqtt]\nmode = 'external'\nport = {broker.port}\n")
        ended = await polewright(tmp_path, "survey", "--clear", "--config", str(config))
        assert "polewright run" in _assert_one_line_with_a_remedy(ended, 3)
    finally:
        await broker.stop()


@pytest.mark.broker
async def test_a_service_without_an_indi_server_says_so_and_keeps_trying(tmp_path):
    """Not an end: whoever starts the INDI server later finds the service waiting."""
    broker = Mosquitto(tmp_path)
    await broker.start()
    try:
        port = free_port()
        config = tmp_path / "polewright.toml"
        config.write_text(
            SITE + f"[mqtt]\nmode = 'external'\nport = {broker.port}\n[indi]\nport = {port}\n"
        )
        async with listening(broker.port) as listener, service(tmp_path, "--config", str(config)):
            await _until_state(listener, '"blocked"')
            state = json.loads(listener.texts("state")[-1])
            assert str(port) in state["reason"]
            assert state["remedy"]
            ended = await polewright(tmp_path, "survey", "--clear", "--config", str(config))
            assert str(port) in _assert_one_line_with_a_remedy(ended, 3)
    finally:
        await broker.stop()


async def test_a_service_without_any_broker_still_runs(tmp_path):
    config = tmp_path / "polewright.toml"
    config.write_text(SITE + f"[mqtt]\nmode = 'external'\nport = {free_port()}\n")
    async with service(tmp_path, "--config", str(config)) as log:
        await wait_until(lambda: "broker" in log.read_text(), STARTED_S)


@pytest.mark.indi
@pytest.mark.broker
@needs_indiserver
@pytest.mark.parametrize(
    ("sky", "codes"),
    [
        ("[faults]\nblob_is_junk = true\n", {"not_a_picture"}),
        ("[faults]\nblack_frame = true\n", {"too_few_stars"}),
        ("[faults]\nclouds = true\n", {"too_few_stars", "no_solution"}),
        pytest.param("[faults]\ncamera_never_delivers = true\n", {"no_frame"}, marks=in_full),
    ],
)
async def test_a_useless_picture_ends_a_survey_in_one_line(tmp_path, monkeypatch, sky, codes):
    write_sky(tmp_path, monkeypatch, "seed = 3\n" + sky)
    broker = Mosquitto(tmp_path)
    await broker.start()
    try:
        async with indi_server(tmp_path, simulator_door(tmp_path)) as server:
            config = tmp_path / "polewright.toml"
            config.write_text(
                "[site]\nclock = 'gps'\n[mount]\nslug = 'kudu'\ndevice = 'Kudu'\n"
                "[camera]\nexposure_s = 0.2\n[survey]\nframes = 3\nsweep_deg = 20.0\n"
                f"settle_s = 0.0\n[mqtt]\nmode = 'external'\nport = {broker.port}\n"
                f"[indi]\nport = {server.port}\n"
            )
            async with (
                listening(broker.port) as listener,
                service(tmp_path, "--config", str(config)),
            ):
                await _until_state(listener, '"ready"')
                ended = await polewright(
                    tmp_path, "survey", "--clear", "--json", "--config", str(config)
                )
                assert ended.json["error"]["code"] in codes
                _assert_one_line_with_a_remedy(ended, 3)
                assert not any(listener.texts("survey")), "only emptied: of an earlier run"
                assert json.loads(listener.texts("state")[-1])["state"] == "blocked"
    finally:
        await broker.stop()


@pytest.mark.broker
async def test_a_server_without_a_camera_is_told(tmp_path):
    broker = Mosquitto(tmp_path)
    await broker.start()
    try:
        async with fake_server(
            define("Number", "Thermometer", "TEMPERATURE", {"T": 5.0})
        ) as server:
            config = tmp_path / "polewright.toml"
            config.write_text(
                SITE
                + f"[mqtt]\nmode = 'external'\nport = {broker.port}\n[indi]\nport = {server.port}\n"
            )
            async with (
                listening(broker.port) as listener,
                service(tmp_path, "--config", str(config)),
            ):
                await _until_state(listener, "camera")
                state = json.loads(listener.texts("state")[-1])
                assert state["state"] == "blocked"
                assert state["remedy"]
    finally:
        await broker.stop()


def _png(width: int, height: int) -> bytes:
    """A black PNG from its specification (W3C PNG, second edition)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    rows = zlib.compress((b"\x00" + b"\x00" * width) * height)
    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")
    )


async def test_pictures_that_show_nothing_get_an_honest_no_solution(tmp_path):
    noise = np.random.default_rng(1).normal(1000, 30, (960, 1280)).astype(np.uint16)
    fits.PrimaryHDU(noise).writeto(tmp_path / "noise.fits")
    (tmp_path / "black.png").write_bytes(_png(640, 480))
    (tmp_path / "letter.fits").write_text("Dear Kudu, this is not a picture.")
    (tmp_path / "empty.fits").write_bytes(b"")
    whole = (tmp_path / "noise.fits").read_bytes()
    (tmp_path / "half.fits").write_bytes(whole[: len(whole) // 2])
    for name in ("noise.fits", "black.png", "letter.fits", "empty.fits", "half.fits"):
        ended = await polewright(tmp_path, "solve", name, "--fov", "2.3")
        _assert_one_line_with_a_remedy(ended, 3)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["solve", "missing.fits", "--fov", "2"], "missing.fits"),
        (["solve", "sky.png"], "--fov"),
        (["solve", "sky.png", "--fov", "400"], "--fov"),
        (["axis", "sky.png", "--fov", "2", "--latitude", "10"], "--longitude"),
        (["config", "init", "there.toml"], "there.toml"),
        (["run", "--config", "nowhere.toml"], "nowhere.toml"),
    ],
)
async def test_wrong_usage_ends_with_two_and_names_what_is_wrong(tmp_path, arguments, words):
    (tmp_path / "sky.png").write_bytes(_png(640, 480))
    (tmp_path / "there.toml").write_text("# mine\n")
    ended = await polewright(tmp_path, *arguments)
    assert ended.code == 2
    assert "Traceback" not in ended.err
    assert words in ended.err
    assert (tmp_path / "there.toml").read_text() == "# mine\n"
