"""The connection against real servers: none, killed, frozen, restarted, and twenty in a row."""

import asyncio
import os
import time
from pathlib import Path

import pytest

from polewright.adapters.indi.camera import IndiCamera
from polewright.adapters.indi.connection import PING_TIMEOUT_S, QUIET_S, IndiConnection
from polewright.adapters.indi.place import IndiGps
from polewright.adapters.indi.rig import open_rig
from polewright.core.errors import DeviceError, LinkError
from tests.system.indi_servers import (
    CAMERA,
    GPS,
    MOUNT,
    free_port,
    indi_server,
    needs_indiserver,
    stock_server,
)

pytestmark = [pytest.mark.indi, needs_indiserver]


def native_threads() -> int:
    """Return how many threads this process has, the library's own included."""
    return len(os.listdir("/proc/self/task"))


async def test_no_server_is_one_line_with_a_remedy() -> None:
    with pytest.raises(LinkError, match="nothing listens there") as caught:
        async with IndiConnection.open("127.0.0.1", free_port()):
            pass
    assert "\n" not in str(caught.value)
    assert caught.value.remedy
    assert caught.value.code == "link_lost"


async def test_a_server_name_that_does_not_exist_is_one_line() -> None:
    """The reserved top-level domain .invalid never resolves (RFC 6761)."""
    with pytest.raises(LinkError, match=r"No INDI server at telescope\.invalid:7624"):
        async with IndiConnection.open("telescope.invalid"):
            pass


async def test_a_killed_server_is_noticed_and_nothing_is_sent_into_the_void(
    tmp_path: Path,
) -> None:
    async with (
        stock_server(tmp_path) as server,
        IndiConnection.open(server.host, server.port) as connection,
    ):
        killed_s = time.monotonic()
        server.kill()
        async with asyncio.timeout(2.0):
            await connection.lost.wait()
        assert time.monotonic() - killed_s < 2.0
        with pytest.raises(LinkError, match="is lost"):
            connection.send_switch(MOUNT, "TELESCOPE_ABORT_MOTION", {"ABORT": True})


async def test_a_frozen_server_is_noticed_though_its_socket_stays_open(tmp_path: Path) -> None:
    async with (
        indi_server(tmp_path, "indi_simulator_ccd") as server,
        IndiConnection.open(server.host, server.port) as connection,
    ):
        server.freeze()
        async with asyncio.timeout(QUIET_S + PING_TIMEOUT_S + 4.0):
            await connection.lost.wait()
    assert "stopped answering" in connection.loss_reason


async def test_a_quiet_server_is_not_taken_for_a_dead_one(tmp_path: Path) -> None:
    """A camera that does nothing says nothing, for longer than the bound on silence."""
    async with (
        indi_server(tmp_path, "indi_simulator_ccd") as server,
        IndiConnection.open(server.host, server.port) as connection,
    ):
        await asyncio.sleep(QUIET_S + PING_TIMEOUT_S + 2.0)
        assert not connection.lost.is_set()


async def test_a_new_connection_works_after_the_server_came_back(tmp_path: Path) -> None:
    port = free_port()
    for _ in range(2):
        async with (
            stock_server(tmp_path, port=port) as server,
            IndiConnection.open(server.host, server.port) as connection,
        ):
            frame = await IndiCamera(connection, CAMERA).expose(0.05)
            assert frame.pixels.shape == (1024, 1280)
            server.kill()
            async with asyncio.timeout(2.0):
                await connection.lost.wait()


async def test_twenty_connections_leave_no_thread_behind(tmp_path: Path) -> None:
    # The loop's pool makes its threads as it needs them: all of them, before any is counted.
    pool = [asyncio.to_thread(time.sleep, 0.1) for _ in range(min(32, (os.cpu_count() or 1) + 4))]
    await asyncio.gather(*pool)
    async with stock_server(tmp_path) as server:
        counts = []
        for _ in range(20):
            async with IndiConnection.open(server.host, server.port) as connection:
                await connection.wait_for(CAMERA, "CONNECTION", lambda _: True, 5.0)
            counts.append(native_threads())
    assert counts[-1] <= counts[9]


async def test_the_receiver_tells_its_place_with_western_longitudes_negative(
    tmp_path: Path,
) -> None:
    """51 N, 357.7 E, 72 m: defaults of the stock GPS simulator."""
    async with (
        indi_server(tmp_path, "indi_simulator_gps") as server,
        IndiConnection.open(server.host, server.port) as connection,
    ):
        place = await IndiGps(connection, GPS).place()
    assert place.latitude_deg == pytest.approx(51.0)
    assert place.longitude_deg == pytest.approx(-2.3)
    assert place.elevation_m == pytest.approx(72.0)


async def test_a_rig_finds_its_parts_by_what_they_are(tmp_path: Path) -> None:
    async with (
        stock_server(tmp_path) as server,
        open_rig(server.host, server.port) as rig,
    ):
        assert rig.camera.name == CAMERA
        assert rig.mount is not None
        assert rig.mount.name == MOUNT
        assert rig.adjuster is None
        assert rig.place_source is not None
        assert (await rig.place_source.place()).latitude_deg == pytest.approx(51.0)
        info = await rig.camera.info()
        assert (info.width_px, info.height_px) == (1280, 1024)
        assert info.pixel_size_um == pytest.approx(5.2)
        assert not rig.lost.is_set()


async def test_a_rig_without_a_camera_says_what_there_is(tmp_path: Path) -> None:
    async with indi_server(tmp_path, "indi_simulator_telescope") as server:
        with pytest.raises(
            DeviceError, match=r"No camera.*Telescope Simulator \(mount\)"
        ) as caught:
            async with open_rig(server.host, server.port):
                pass
    assert caught.value.code == "no_camera"


async def test_a_rig_with_a_misspelt_mount_names_the_ones_there_are(tmp_path: Path) -> None:
    async with stock_server(tmp_path) as server:
        with pytest.raises(DeviceError, match=r"No mount 'Kudo'.*Telescope Simulator") as caught:
            async with open_rig(server.host, server.port, mount_name="Kudo"):
                pass
    assert caught.value.code == "no_mount"
