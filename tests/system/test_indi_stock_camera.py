"""The camera adapter against Debian's stock camera simulator under a real indiserver."""

import asyncio
import io
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from polewright.adapters.indi.camera import IndiCamera
from polewright.adapters.indi.connection import IndiConnection
from polewright.core.errors import DeviceError, LinkError
from polewright.core.imaging.frame import Frame
from tests.system.indi_servers import CAMERA, RunningServer, needs_indiserver, stock_server

pytestmark = [pytest.mark.indi, needs_indiserver]


def decode_fits(data: bytes, name: str) -> Frame:
    """Read the pixels alone, so that the adapter must fill in the rest."""
    with fits.open(io.BytesIO(data)) as hdus:
        return Frame(pixels=np.array(hdus[0].data, dtype=np.uint16), camera=name)


@dataclass
class Bench:
    server: RunningServer
    connection: IndiConnection
    camera: IndiCamera


@pytest.fixture
async def bench(tmp_path: Path) -> AsyncIterator[Bench]:
    async with (
        stock_server(tmp_path) as server,
        IndiConnection.open(server.host, server.port) as connection,
    ):
        yield Bench(server, connection, IndiCamera(connection, CAMERA, decode=decode_fits))


async def test_a_frame_arrives_whole_and_completed(bench: Bench) -> None:
    """Shape from the simulator's defaults (1280 x 1024, 5.2 um)."""
    before = datetime.now(UTC)
    frame = await bench.camera.expose(0.4)
    assert frame.pixels.shape == (1024, 1280)
    assert frame.pixels.std() > 0.0
    assert frame.camera == CAMERA
    assert frame.exposure_s == 0.4
    assert frame.pixel_size_um == pytest.approx(5.2)
    assert frame.mid_exposure is not None
    assert abs(frame.mid_exposure - before - timedelta(seconds=0.2)) < timedelta(seconds=2.0)


async def test_frames_follow_one_another_and_differ(bench: Bench) -> None:
    """The second frame is a new one, not the first again: the simulator's noise differs."""
    first = await bench.camera.expose(0.05)
    second = await bench.camera.expose(0.05)
    assert not np.array_equal(first.pixels, second.pixels)


async def test_two_callers_at_once_get_a_frame_each(bench: Bench) -> None:
    """A second exposure would replace the first in the driver, so they queue here."""
    frames = await asyncio.gather(bench.camera.expose(0.1), bench.camera.expose(0.1))
    assert [frame.pixels.shape for frame in frames] == [(1024, 1280)] * 2


async def test_compressed_frames_are_unpacked(bench: Bench) -> None:
    await bench.camera.info()
    bench.connection.send_switch(
        CAMERA, "CCD_COMPRESSION", {"INDI_ENABLED": True, "INDI_DISABLED": False}
    )
    await bench.connection.wait_for(
        CAMERA, "CCD_COMPRESSION", lambda p: p.is_on("INDI_ENABLED"), 5.0
    )
    camera = IndiCamera(bench.connection, CAMERA)
    frame = await camera.expose(0.1)
    assert frame.pixels.shape == (1024, 1280)


async def test_a_camera_set_to_keep_its_frames_is_set_to_send_them(bench: Bench) -> None:
    await bench.camera.info()
    bench.connection.send_switch(CAMERA, "UPLOAD_MODE", {"UPLOAD_LOCAL": True})
    await bench.connection.wait_for(CAMERA, "UPLOAD_MODE", lambda p: p.is_on("UPLOAD_LOCAL"), 5.0)
    frame = await bench.camera.expose(0.1)
    assert frame.pixels.shape == (1024, 1280)


async def test_an_exposure_outside_the_limits_is_refused_with_the_limits(bench: Bench) -> None:
    with pytest.raises(DeviceError, match=r"0\.01 to 3600 s, not 0\.001 s") as caught:
        await bench.camera.expose(0.001)
    assert caught.value.code == "exposure_out_of_range"


async def test_cancelling_an_exposure_aborts_it(bench: Bench) -> None:
    """The driver itself reports the end, and the next exposure is a good one."""
    await bench.camera.info()
    exposure = asyncio.create_task(bench.camera.expose(30.0))
    await bench.connection.wait_for(CAMERA, "CCD_EXPOSURE", lambda p: p.busy, 5.0)
    exposure.cancel()
    with pytest.raises(asyncio.CancelledError):
        await exposure
    state = bench.connection.read(CAMERA, "CCD_EXPOSURE")
    assert state is not None
    assert not state.busy
    assert (await bench.camera.expose(0.1)).pixels.shape == (1024, 1280)


async def test_a_frame_that_is_late_is_given_up_and_its_exposure_aborted(bench: Bench) -> None:
    """A margin that has passed before the exposure ends stands for a frame that never comes."""
    impatient = IndiCamera(bench.connection, CAMERA, decode=decode_fits, delivery_margin_s=-9.0)
    with pytest.raises(DeviceError, match="delivered no frame") as caught:
        await impatient.expose(10.0)
    assert caught.value.code == "no_frame"
    state = bench.connection.read(CAMERA, "CCD_EXPOSURE")
    assert state is not None
    assert not state.busy


async def test_a_server_killed_in_an_exposure_is_a_lost_link_at_once(bench: Bench) -> None:
    await bench.camera.info()
    exposure = asyncio.create_task(bench.camera.expose(20.0))
    await bench.connection.wait_for(CAMERA, "CCD_EXPOSURE", lambda p: p.busy, 5.0)
    killed_s = time.monotonic()
    bench.server.kill()
    with pytest.raises(LinkError, match="is lost"):
        await exposure
    assert time.monotonic() - killed_s < 2.0
    assert bench.connection.lost.is_set()
    with pytest.raises(LinkError):
        await bench.camera.expose(0.1)


async def test_a_driver_that_crashes_is_a_clear_error_and_works_again(bench: Bench) -> None:
    """The simulator has a switch that crashes it; indiserver starts it anew, disconnected."""
    await bench.camera.expose(0.1)
    exposure = asyncio.create_task(bench.camera.expose(20.0))
    await bench.connection.wait_for(CAMERA, "CCD_EXPOSURE", lambda p: p.busy, 5.0)
    bench.connection.send_switch(CAMERA, "CCD_SIMULATE_CRASH", {"CRASH": True})
    with pytest.raises(DeviceError, match="vanished") as caught:
        await exposure
    assert caught.value.code == "device_gone"
    frame = await bench.camera.expose(0.1)
    assert frame.pixels.shape == (1024, 1280)
