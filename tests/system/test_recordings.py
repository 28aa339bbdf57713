"""Recorded devices, played to the adapters: each was met once and is met again here."""

import io
import zlib
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from polewright.adapters.indi.camera import IndiCamera
from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.mount import IndiMount
from polewright.adapters.indi.recording import read_recording
from polewright.core.errors import DeviceError
from tests.system.fake_indi_server import camera_definitions, define, fake_server
from tests.system.indi_servers import free_port
from tests.system.replay_server import replay_server
from tests.system.warm_processes import polewright


async def test_the_stock_mount_goes_parks_and_then_refuses() -> None:
    """Recorded from Debian's stock telescope simulator 1.9.9."""
    async with (
        replay_server("stock-telescope.txt") as (server, replay),
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        mount = IndiMount(connection, "Telescope Simulator")
        await mount.ensure_ready()
        await mount.slew_to(191.353, 75.0)
        status = await mount.status()
        assert status.declination_deg == pytest.approx(75.0, abs=0.01)
        assert not status.slewing
        await mount.park()
        assert (await mount.status()).parked
        with pytest.raises(DeviceError) as caught:
            await mount.slew_to(196.0, 75.0)
        assert caught.value.code == "parked"
        assert replay.unexpected == []


async def test_a_camera_that_was_left_binned_windowed_and_packed_delivers_whole_frames() -> None:
    """Recorded from our simulator, whose camera another program had set so."""
    stream = io.BytesIO()
    pixels = np.random.default_rng(3).integers(0, 4000, (480, 640), dtype=np.uint16)
    fits.PrimaryHDU(pixels).writeto(stream)
    async with (
        replay_server("simulator-binned-window.txt", frame=zlib.compress(stream.getvalue())) as (
            server,
            replay,
        ),
        IndiConnection.open("127.0.0.1", server.port) as connection,
    ):
        camera = IndiCamera(connection, "Hoopoe")
        info = await camera.info()
        assert (info.width_px, info.height_px, info.pixel_size_um) == (640, 480, 7.5)
        frame = await camera.expose(0.5)
        assert (frame.pixels == pixels).all()
        window = server.commands("CCD_FRAME")[0]
        assert [float(window[side]) for side in ("X", "Y", "WIDTH", "HEIGHT")] == [
            0.0, 0.0, 1280.0, 960.0
        ]  # fmt: skip
        assert replay.unexpected == []


@pytest.mark.slow
async def test_the_doctor_records_what_devices_say_and_no_secret(tmp_path: Path) -> None:
    secret = define("Text", "Hoopoe", "WIFI_SETUP", {"PASSWORD": "swordfish"})
    site = define("Number", "Hoopoe", "GEOGRAPHIC_COORD", {"LAT": -32.4017, "LONG": 22.7042})
    definitions = camera_definitions() + secret + site
    config, file = tmp_path / "polewright.toml", tmp_path / "hoopoe.txt"
    async with fake_server(definitions) as server:
        config.write_text(f"[indi]\nport = {server.port}\n[mqtt]\nmode = 'off'\n")
        wish = ("doctor", "--config", str(config), "--record", str(file), "--seconds", "0.5")
        ended = await polewright(tmp_path, *wish)
        assert "Traceback" not in ended.err
        again = await polewright(tmp_path, *wish)
        assert again.code == 2
        assert "exists already" in again.err
    text = file.read_text("utf-8")
    assert "swordfish" not in text
    assert "32.40" not in text
    assert "22.70" not in text
    messages = read_recording(file)
    assert {"connect", "getProperties", "defNumberVector"} <= {one.tag for one in messages}
    assert any(one.sent and one.device == "Hoopoe" for one in messages)


async def test_a_recording_without_any_server_is_one_line(tmp_path: Path) -> None:
    config = tmp_path / "polewright.toml"
    config.write_text(f"[indi]\nport = {free_port()}\n[mqtt]\nmode = 'off'\n")
    ended = await polewright(
        tmp_path, "doctor", "--json", "--config", str(config),
        "--record", str(tmp_path / "nothing.txt"), "--seconds", "0.1",
    )  # fmt: skip
    assert ended.code == 3
    assert "Traceback" not in ended.err
