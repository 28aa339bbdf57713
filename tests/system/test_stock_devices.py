"""Debian's four stock simulators under the stock server: what is seen of them, and what serves.

Their sky is blank without an outside star program, so a survey must end with 'no stars'.
"""

from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from polewright.adapters.indi.camera import IndiCamera
from polewright.adapters.indi.chip import GUIDE_CHIP, ChipWishes
from polewright.adapters.indi.connection import IndiConnection
from polewright.adapters.indi.discovery import Role, choose, explain, list_devices
from polewright.adapters.indi.mount import IndiMount
from polewright.adapters.indi.rig import open_rig
from polewright.core.errors import DeviceError, PolewrightError
from polewright.ports import TrackMode
from tests.system.indi_servers import (
    CAMERA,
    GPS,
    MOUNT,
    STOCK_DRIVERS,
    RunningServer,
    indi_server,
    needs_indiserver,
)
from tests.system.warm_processes import polewright

pytestmark = [pytest.mark.indi, needs_indiserver]

GUIDE_CAMERA = "Guide Simulator"
# As the simulators of INDI 1.9.9 describe themselves.
MAIN_PX, GUIDE_PX = (1280, 1024), (500, 290)


@dataclass
class Bench:
    server: RunningServer
    connection: IndiConnection


@pytest.fixture
async def bench(tmp_path: Path) -> AsyncIterator[Bench]:
    async with (
        indi_server(tmp_path, *STOCK_DRIVERS, "indi_simulator_guide") as server,
        IndiConnection.open(server.host, server.port) as connection,
    ):
        yield Bench(server, connection)


async def test_all_four_are_found_in_their_roles_and_two_cameras_must_be_told_apart(
    bench: Bench,
) -> None:
    names = frozenset({CAMERA, MOUNT, GPS, GUIDE_CAMERA})
    found = await list_devices(bench.connection, expected=names)
    roles = {device.name: device.roles for device in found}
    assert roles[CAMERA] >= {Role.CAMERA}
    assert roles[GUIDE_CAMERA] >= {Role.CAMERA}
    assert roles[MOUNT] == {Role.MOUNT}
    assert roles[GPS] == {Role.GPS}
    assert explain(found, Role.MOUNT, None) == f"{MOUNT} is the mount: the only one"
    assert "no adjuster" in explain(found, Role.ADJUSTER, None)
    with pytest.raises(
        DeviceError, match=f"{CAMERA}.*{GUIDE_CAMERA}|{GUIDE_CAMERA}.*{CAMERA}"
    ) as e:
        choose(found, Role.CAMERA, None)
    assert e.value.code == "several_cameras"
    assert "[camera] device =" in e.value.remedy
    assert explain(found, Role.CAMERA, GUIDE_CAMERA).endswith(f"not {CAMERA}")


async def test_what_the_mount_can_do_is_read_from_its_properties(bench: Bench) -> None:
    mount = IndiMount(bench.connection, MOUNT)
    await mount.ensure_ready()
    can = mount.capabilities
    assert can.can_slew
    assert can.can_abort
    assert can.can_park
    assert can.can_sync
    assert can.has_pier_side
    assert can.has_place
    assert can.track_modes == set(TrackMode)
    await mount.set_tracking(on=True, mode=TrackMode.LUNAR)
    modes = bench.connection.read(MOUNT, "TELESCOPE_TRACK_MODE")
    assert modes is not None
    assert modes.is_on("TRACK_LUNAR")


async def test_the_guide_head_takes_frames_of_its_own_size(bench: Bench) -> None:
    camera = IndiCamera(bench.connection, CAMERA, chip=GUIDE_CHIP)
    info = await camera.info()
    assert (info.width_px, info.height_px) == GUIDE_PX
    frame = await camera.expose(0.1)
    assert (frame.width_px, frame.height_px) == GUIDE_PX
    # The mount's guide telescope, 900 mm by the simulator's default.
    assert frame.focal_length_mm == pytest.approx(900.0)


async def test_a_camera_without_a_guide_head_is_named(bench: Bench) -> None:
    """The waiting is bounded by the adapter; the name of what is missing is in the text."""
    with pytest.raises(DeviceError, match="GUIDER_EXPOSURE") as caught:
        await IndiCamera(bench.connection, GUIDE_CAMERA, chip=GUIDE_CHIP).info()
    assert caught.value.code == "wrong_device"


async def test_a_window_left_on_the_chip_is_taken_away(bench: Bench) -> None:
    camera = IndiCamera(bench.connection, CAMERA)
    await camera.info()
    since = bench.connection.send_numbers(
        CAMERA, "CCD_FRAME", {"X": 100, "Y": 60, "WIDTH": 320, "HEIGHT": 200}
    )
    await bench.connection.wait_for(
        CAMERA, "CCD_FRAME", lambda p: p.numbers["WIDTH"] == 320.0, 5.0, since=since
    )
    frame = await camera.expose(0.05)
    assert (frame.width_px, frame.height_px) == MAIN_PX


async def test_binning_gain_and_offset_are_set_as_wished(bench: Bench) -> None:
    wishes = ChipWishes(binning=2, gain=45.0, offset=12.0)
    camera = IndiCamera(bench.connection, CAMERA, wishes=wishes)
    info = await camera.info()
    assert info.binning == 2
    assert (info.width_px, info.height_px) == (640, 512)
    assert info.pixel_size_um == pytest.approx(10.4)
    frame = await camera.expose(0.05)
    assert (frame.width_px, frame.height_px) == (640, 512)
    assert frame.pixel_size_um == pytest.approx(10.4)
    for prop, element, wanted in (("CCD_GAIN", "GAIN", 45.0), ("CCD_OFFSET", "OFFSET", 12.0)):
        told = bench.connection.read(CAMERA, prop)
        assert told is not None
        assert told.numbers[element] == wanted


@pytest.mark.parametrize(
    ("wishes", "code"),
    [
        (ChipWishes(gain=5000.0), "setting_out_of_range"),
        (ChipWishes(offset=1.0), "not_supported"),
    ],
)
async def test_a_setting_that_the_driver_does_not_take_is_named(
    bench: Bench, wishes: ChipWishes, code: str
) -> None:
    """The second stock camera has a gain of 0 to 100 and no offset."""
    with pytest.raises(DeviceError) as caught:
        await IndiCamera(bench.connection, GUIDE_CAMERA, wishes=wishes).info()
    assert caught.value.code == code
    assert "[camera]" in caught.value.remedy


async def test_frames_that_the_server_compresses_are_read(bench: Bench) -> None:
    camera = IndiCamera(bench.connection, CAMERA)
    await camera.info()
    since = bench.connection.send_switch(CAMERA, "CCD_COMPRESSION", {"INDI_ENABLED": True})
    await bench.connection.wait_for(
        CAMERA, "CCD_COMPRESSION", lambda p: p.is_on("INDI_ENABLED"), 5.0, since=since
    )
    frame = await camera.expose(0.05)
    assert (frame.width_px, frame.height_px) == MAIN_PX
    assert frame.pixels.std() > 0.0


async def test_a_rig_of_named_devices_opens(bench: Bench) -> None:
    async with open_rig(bench.server.host, bench.server.port, camera_name=GUIDE_CAMERA) as rig:
        assert rig.camera.name == GUIDE_CAMERA
        assert rig.mount is not None
        assert rig.mount.name == MOUNT
    with pytest.raises(PolewrightError) as caught:
        async with open_rig(bench.server.host, bench.server.port, camera_name="Weaver"):
            pass
    assert caught.value.code == "no_camera"


@pytest.mark.slow
async def test_the_doctor_tells_two_cameras_apart_and_ends_at_a_sky_without_stars(
    bench: Bench, tmp_path: Path
) -> None:
    rest = (
        f"[indi]\nport = {bench.server.port}\n[mqtt]\nmode = 'off'\n"
        "[site]\nlatitude_deg = -32.4\nlongitude_deg = 22.7\n[camera]\nfocal_length_mm = 160.0\n"
    )

    async def doctor(text: str) -> tuple[int, dict[str, dict[str, str]]]:
        config = tmp_path / "polewright.toml"
        config.write_text(text)
        ended = await polewright(tmp_path, "doctor", "--json", "--config", str(config))
        assert "Traceback" not in ended.err
        return ended.code, {finding["step"]: finding for finding in ended.json["findings"]}

    code, steps = await doctor(rest)
    assert code == 3
    assert steps["roles"]["mark"] == "bad"
    assert CAMERA in steps["roles"]["text"]
    _, steps = await doctor(f"{rest}device = '{CAMERA}'\n")
    assert steps["roles"]["mark"] == "good"
    assert steps["exposure"]["mark"] == "good"
    assert steps["stars"]["mark"] in {"bad", "note"}
    assert "star" in steps["stars"]["text"]
    assert steps["first frame"]["mark"] != "good"
