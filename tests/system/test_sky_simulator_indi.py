"""The sky simulator as a driver: under Debian's own indiserver, and serving by itself."""

import contextlib
import io
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from tests.system.indi_client import IndiClient
from tests.system.indi_servers import free_port

pytestmark = pytest.mark.indi

DRIVER = Path(sys.executable).parent / "polewright-sky-simulator"
START_S = 30.0
"""Longest start of the driver on a busy small machine (imports, catalogues)."""
SKY = """
seed = 11
site_name = "south"
[mount]
slew_rate_deg_s = 60.0
[bolts]
hand_rate_turns_s = 5.0
"""


@pytest.fixture(name="sky")
def _sky(tmp_path: Path) -> Path:
    path = tmp_path / "sky.toml"
    path.write_text(SKY)
    return path


def dial(port: int) -> IndiClient:
    """Connect as soon as somebody listens."""
    deadline = time.monotonic() + START_S
    while True:
        try:
            return IndiClient(port)
        except OSError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.05)


def stop(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)
    if process.stdout is not None:
        process.stdout.close()


@contextlib.contextmanager
def under_indiserver(sky: Path) -> Iterator[tuple[IndiClient, subprocess.Popen[bytes]]]:
    if shutil.which("indiserver") is None:
        pytest.skip("indiserver (Debian's indi-bin) is not installed")
    port = free_port()
    environment = {
        **os.environ,
        "POLEWRIGHT_SKY": str(sky),
        "PATH": f"{DRIVER.parent}:{os.environ['PATH']}",
    }
    process = subprocess.Popen(
        ["indiserver", "-p", str(port), "-u", f"{sky.parent}/socket", "polewright-sky-simulator"],
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        client = dial(port)
        try:
            yield client, process
        finally:
            client.close()
    finally:
        stop(process)


@contextlib.contextmanager
def by_itself(sky: Path) -> Iterator[tuple[IndiClient, subprocess.Popen[bytes]]]:
    process = subprocess.Popen(
        [str(DRIVER), "--port", "0", "--sky", str(sky)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
    )
    try:
        assert process.stdout is not None
        first = process.stdout.readline().decode()
        assert first.startswith("listening on 127.0.0.1:")
        client = IndiClient(int(first.rsplit(":", 1)[1]))
        try:
            yield client, process
        finally:
            client.close()
    finally:
        stop(process)


@pytest.fixture(name="served", scope="module")
def _served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[int, int]]:
    """One driver for the tests that leave it as they find it: its port and process id."""
    path = tmp_path_factory.mktemp("sky") / "sky.toml"
    path.write_text(SKY)
    with by_itself(path) as (client, process):
        yield client.port, process.pid


@pytest.fixture(name="client")
def _client(served: tuple[int, int]) -> Iterator[IndiClient]:
    client = IndiClient(served[0])
    ready(client)
    yield client
    client.close()


WAYS = pytest.mark.parametrize("way", [under_indiserver, by_itself])


def ready(client: IndiClient) -> None:
    client.get_properties()
    for device in ("Kudu", "Hoopoe", "Kudu GPS", "Kudu Bolts"):
        client.wait(lambda d=device: (d, "CONNECTION") in client.state, START_S)
        client.connect(device)
    client.send('<enableBLOB device="Hoopoe">Also</enableBLOB>')
    client.wait(lambda: ("Kudu Bolts", "SIMULATOR_TRUTH") in client.state)


def expose(client: IndiClient, exposure_s: float) -> bytes:
    before = len(client.blobs)
    client.number("Hoopoe", "CCD_EXPOSURE", CCD_EXPOSURE_VALUE=exposure_s)
    client.wait(lambda: len(client.blobs) > before, exposure_s + 10.0)
    client.wait_state("Hoopoe", "CCD_EXPOSURE", "Ok")
    content, size, form = client.blobs[-1]
    assert form == ".fits"
    assert size == len(content)
    return content


@WAYS
def test_a_client_connects_slews_exposes_and_turns_the_bolts(way, sky):
    """The whole way of one session, byte-exact, over either server."""
    with way(sky) as (client, _):
        ready(client)
        client.number("Kudu", "EQUATORIAL_EOD_COORD", RA=1.0, DEC=-60.0)
        client.wait_state("Kudu", "EQUATORIAL_EOD_COORD", "Busy")
        client.wait_state("Kudu", "EQUATORIAL_EOD_COORD", "Ok", 20.0)
        assert client.float("Kudu", "EQUATORIAL_EOD_COORD", "RA") == pytest.approx(1.0, abs=1e-5)
        assert client.float("Kudu", "EQUATORIAL_EOD_COORD", "DEC") == pytest.approx(-60.0, abs=1e-5)
        assert client.values["Kudu", "TELESCOPE_TRACK_STATE"]["TRACK_ON"] == "On"
        assert client.values["Kudu", "TELESCOPE_PIER_SIDE"]["PIER_WEST"] == "Off"

        for _ in range(2):
            content = expose(client, 0.3)
            assert len(content) % 2880 == 0
            with fits.open(io.BytesIO(content)) as opened:
                opened.verify("exception")
                pixels, header = opened[0].data, opened[0].header
            assert pixels.shape == (960, 1280)
            assert pixels.dtype == np.uint16
            assert header["DATE-OBS"].startswith("2026-11-25T20:0")
            assert header["EXPTIME"] == 0.3
            assert (header["INSTRUME"], header["TELESCOP"]) == ("Hoopoe", "Kudu")
            assert header["FOCALLEN"] == 120.0
            assert header["XPIXSZ"] == 3.75
            # ICRS of the asked place of date: 27 years of precession and the aberration.
            assert header["RA"] == pytest.approx(14.71, abs=0.05)
            assert header["DEC"] == pytest.approx(-60.14, abs=0.05)
        order = [entry for entry in client.order if entry[1] in ("CCD1", "CCD_EXPOSURE")]
        assert order[-1][1:] == ("CCD_EXPOSURE", "Ok")
        assert order[-2][0] == "setBLOBVector", "the picture comes before the exposure's Ok"

        truth = dict(client.values["Kudu Bolts", "SIMULATOR_TRUTH"])
        client.number("Kudu Bolts", "HANDS", AZ_TURNS=0.5, ALT_TURNS=-0.25)
        client.wait_state("Kudu Bolts", "HANDS", "Busy")
        client.wait_state("Kudu Bolts", "HANDS", "Ok")
        after = client.values["Kudu Bolts", "SIMULATOR_TRUTH"]
        for name in ("TRUE_ALT_ERROR_ARCMIN", "TRUE_AZ_ERROR_ARCMIN", "TRUE_TOTAL_ERROR_ARCSEC"):
            assert abs(float(after[name]) - float(truth[name])) > 5.0

        assert client.float("Kudu GPS", "GEOGRAPHIC_COORD", "LAT") == pytest.approx(-32.4)
        assert client.float("Kudu GPS", "GEOGRAPHIC_COORD", "LONG") == pytest.approx(22.7)
        assert client.values["Kudu GPS", "TIME_UTC"]["UTC"].startswith("2026-11-25T20:0")


def test_the_driver_tells_its_devices_kinds(client):
    """Interface bits as in the INDI library's basedevice.h."""
    kinds = {
        device: int(client.values[device, "DRIVER_INFO"]["DRIVER_INTERFACE"])
        for device in ("Kudu", "Hoopoe", "Kudu GPS", "Kudu Bolts", "Kudu Bench", "Kudu Sensor")
    }
    auxiliary = dict.fromkeys(("Kudu Bolts", "Kudu Bench", "Kudu Sensor"), 1 << 15)
    assert kinds == {"Kudu": 1, "Hoopoe": 2, "Kudu GPS": 64, **auxiliary}


def test_the_driver_ends_when_indiserver_is_killed(sky):
    """Killed hard, the server leaves its drivers behind: this one sees the end of its input."""
    with under_indiserver(sky) as (client, server):
        client.get_properties()
        client.wait(lambda: ("Kudu", "CONNECTION") in client.state, START_S)
        children = Path(f"/proc/{server.pid}/task/{server.pid}/children").read_text().split()
        (driver,) = [int(child) for child in children]
        server.kill()
        server.wait(10)
        deadline = time.monotonic() + 5.0
        while Path(f"/proc/{driver}/exe").exists():
            if time.monotonic() > deadline:
                os.kill(driver, signal.SIGKILL)
                pytest.fail("the driver outlived its server by 5 s")
            time.sleep(0.02)


def test_a_mount_moves_only_as_it_should(client):
    # Parking, and what a parked mount refuses.
    client.switch("Kudu", "TELESCOPE_PARK", "PARK")
    client.wait(lambda: client.values["Kudu", "TELESCOPE_PARK"]["PARK"] == "On")
    client.wait_state("Kudu", "TELESCOPE_PARK", "Ok")
    client.number("Kudu", "EQUATORIAL_EOD_COORD", RA=1.0, DEC=-60.0)
    client.wait(lambda: any("parked" in m for m in client.messages))
    assert ("setNumberVector", "EQUATORIAL_EOD_COORD", "Alert") in client.order
    assert ("setNumberVector", "EQUATORIAL_EOD_COORD", "Busy") not in client.order
    client.switch("Kudu", "TELESCOPE_TRACK_STATE", "TRACK_ON")
    client.wait_state("Kudu", "TELESCOPE_TRACK_STATE", "Alert")
    client.switch("Kudu", "TELESCOPE_PARK", "UNPARK")
    client.wait(lambda: client.values["Kudu", "TELESCOPE_PARK"]["UNPARK"] == "On")
    # Not on the sky, below the horizon, half a target.
    for members, word in (
        ({"RA": 1.0, "DEC": -95.0}, "not on the sky"),
        ({"RA": 1.0, "DEC": 80.0}, "deg high"),
        ({"RA": 1.0}, "needs DEC"),
        ({"RA": 1.0, "DEC": float("nan")}, "finite"),
    ):
        client.number("Kudu", "EQUATORIAL_EOD_COORD", **members)
        client.wait(lambda w=word: any(w in m for m in client.messages))
    assert ("setNumberVector", "EQUATORIAL_EOD_COORD", "Busy") not in client.order
    # An abort ends a slew at once.
    client.number("Kudu", "EQUATORIAL_EOD_COORD", RA=22.0, DEC=-20.0)
    client.wait_state("Kudu", "EQUATORIAL_EOD_COORD", "Busy")
    client.switch("Kudu", "TELESCOPE_ABORT_MOTION", "ABORT")
    client.wait(lambda: client.state["Kudu", "EQUATORIAL_EOD_COORD"] != "Busy", 1.0)
    assert abs(client.float("Kudu", "EQUATORIAL_EOD_COORD", "DEC") + 20.0) > 5.0
    # SYNC: believed, not moved.
    client.switch("Kudu", "ON_COORD_SET", "SYNC")
    client.number("Kudu", "EQUATORIAL_EOD_COORD", RA=3.0, DEC=-45.0)
    client.wait(lambda: abs(client.float("Kudu", "EQUATORIAL_EOD_COORD", "DEC") + 45.0) < 1e-6)
    # SLEW: there, and standing.
    client.switch("Kudu", "ON_COORD_SET", "SLEW")
    client.number("Kudu", "EQUATORIAL_EOD_COORD", RA=2.0, DEC=-40.0)
    client.wait_state("Kudu", "EQUATORIAL_EOD_COORD", "Busy")
    client.wait_state("Kudu", "EQUATORIAL_EOD_COORD", "Idle", 20.0)
    first = client.float("Kudu", "EQUATORIAL_EOD_COORD", "RA")
    seen = time.monotonic()
    client.wait(lambda: client.float("Kudu", "EQUATORIAL_EOD_COORD", "RA") > first + 1.0 / 3600.0)
    assert time.monotonic() - seen < 3.0, "the sky runs past a mount that stands"


def test_the_place_comes_several_times_a_second(client):
    client.order.clear()
    end = time.monotonic() + 3.0
    while time.monotonic() < end:
        client.read_some(0.1)
    told = [entry for entry in client.order if entry[1] == "EQUATORIAL_EOD_COORD"]
    assert len(told) >= 9


def test_the_motors_step_both_ways_refuse_while_busy_and_stop(client):
    before = client.float("Kudu Bolts", "SIMULATOR_TRUTH", "TRUE_AXIS_ALT_DEG")
    client.number("Kudu Bolts", "PAC_MANUAL_ADJUSTMENT", MANUAL_AZ_STEP=0.0, MANUAL_ALT_STEP=0.2)
    client.wait_state("Kudu Bolts", "PAC_MANUAL_ADJUSTMENT", "Busy")
    client.wait_state("Kudu Bolts", "PAC_MANUAL_ADJUSTMENT", "Ok")
    moved = client.float("Kudu Bolts", "SIMULATOR_TRUTH", "TRUE_AXIS_ALT_DEG") - before
    assert abs(moved) == pytest.approx(0.2, abs=0.07), "less the play"
    client.number("Kudu Bolts", "PAC_MANUAL_ADJUSTMENT", MANUAL_AZ_STEP=5.0, MANUAL_ALT_STEP=0.0)
    client.wait_state("Kudu Bolts", "PAC_MANUAL_ADJUSTMENT", "Busy")
    client.number("Kudu Bolts", "HANDS", AZ_TURNS=1.0, ALT_TURNS=0.0)
    client.wait_state("Kudu Bolts", "HANDS", "Alert")
    assert any("still turning" in m for m in client.messages)
    client.switch("Kudu Bolts", "PAC_ABORT_MOTION", "ABORT")
    client.wait_state("Kudu Bolts", "PAC_ABORT_MOTION", "Ok")
    client.wait_state("Kudu Bolts", "PAC_MANUAL_ADJUSTMENT", "Idle")
    stands = client.float("Kudu Bolts", "SIMULATOR_TRUTH", "TRUE_AXIS_AZ_DEG")
    client.number("Kudu Bolts", "HANDS", AZ_TURNS=0.0, ALT_TURNS=0.0)
    client.wait_state("Kudu Bolts", "HANDS", "Ok")
    assert client.float("Kudu Bolts", "SIMULATOR_TRUTH", "TRUE_AXIS_AZ_DEG") == stands
    client.number("Kudu Bolts", "HANDS", AZ_TURNS=500.0, ALT_TURNS=0.0)
    client.wait_state("Kudu Bolts", "HANDS", "Alert")


def test_the_faults_of_the_camera_are_faults(client):
    good = fits.getdata(io.BytesIO(expose(client, 0.2))).astype(float)

    client.switch("Hoopoe", "SIMULATOR_FAULTS", "BLACK_FRAME")
    client.wait_state("Hoopoe", "SIMULATOR_FAULTS", "Ok")
    assert fits.getdata(io.BytesIO(expose(client, 0.2))).max() == 0
    client.switch("Hoopoe", "SIMULATOR_FAULTS", "BLACK_FRAME", "Off")

    client.switch("Hoopoe", "SIMULATOR_FAULTS", "CLOUDS")
    clouded = fits.getdata(io.BytesIO(expose(client, 0.2))).astype(float)
    assert np.median(clouded) > np.median(good)
    client.switch("Hoopoe", "SIMULATOR_FAULTS", "CLOUDS", "Off")

    client.switch("Hoopoe", "SIMULATOR_FAULTS", "BLOB_IS_JUNK")
    assert not expose(client, 0.2).startswith(b"SIMPLE")
    client.switch("Hoopoe", "SIMULATOR_FAULTS", "BLOB_IS_JUNK", "Off")

    client.switch("Hoopoe", "SIMULATOR_FAULTS", "CAMERA_NEVER_DELIVERS")
    before = len(client.blobs)
    client.number("Hoopoe", "CCD_EXPOSURE", CCD_EXPOSURE_VALUE=0.1)
    with pytest.raises(TimeoutError):
        client.wait(lambda: len(client.blobs) > before, 1.5)
    assert client.state["Hoopoe", "CCD_EXPOSURE"] == "Busy"
    client.switch("Hoopoe", "CCD_ABORT_EXPOSURE", "ABORT")
    client.wait_state("Hoopoe", "CCD_EXPOSURE", "Idle")
    client.switch("Hoopoe", "SIMULATOR_FAULTS", "CAMERA_NEVER_DELIVERS", "Off")
    assert expose(client, 0.1).startswith(b"SIMPLE")


def test_an_aborted_exposure_brings_no_picture_and_a_disconnected_camera_shows_nothing(client):
    client.number("Hoopoe", "CCD_EXPOSURE", CCD_EXPOSURE_VALUE=1.0)
    client.wait_state("Hoopoe", "CCD_EXPOSURE", "Busy")
    client.switch("Hoopoe", "CCD_ABORT_EXPOSURE", "ABORT")
    client.wait_state("Hoopoe", "CCD_EXPOSURE", "Idle")
    with pytest.raises(TimeoutError):
        client.wait(lambda: bool(client.blobs), 1.5)
    client.number("Hoopoe", "CCD_EXPOSURE", CCD_EXPOSURE_VALUE=-1.0)
    client.wait_state("Hoopoe", "CCD_EXPOSURE", "Alert")
    client.switch("Hoopoe", "CONNECTION", "DISCONNECT")
    client.wait(lambda: ("Hoopoe", "CCD_EXPOSURE") not in client.state)
    client.wait_state("Hoopoe", "CONNECTION", "Idle")
    client.connect("Hoopoe")
    client.wait(lambda: ("Hoopoe", "CCD_EXPOSURE") in client.state)


def test_subframe_binning_and_gain_are_obeyed(client):
    client.number("Hoopoe", "CCD_BINNING", HOR_BIN=2, VER_BIN=2)
    client.wait(lambda: client.float("Hoopoe", "CCD_BINNING", "HOR_BIN") == 2.0)
    with fits.open(io.BytesIO(expose(client, 0.1))) as opened:
        assert opened[0].data.shape == (480, 640)
        assert opened[0].header["XBINNING"] == 2
        assert opened[0].header["XPIXSZ"] == 7.5
    client.number("Hoopoe", "CCD_BINNING", HOR_BIN=1, VER_BIN=1)
    client.number("Hoopoe", "CCD_FRAME", X=100, Y=50, WIDTH=320, HEIGHT=200)
    client.wait(lambda: client.float("Hoopoe", "CCD_FRAME", "WIDTH") == 320.0)
    quiet = fits.getdata(io.BytesIO(expose(client, 0.1))).astype(float)
    assert quiet.shape == (200, 320)
    client.number("Hoopoe", "CCD_GAIN", GAIN=200)
    client.wait(lambda: client.float("Hoopoe", "CCD_GAIN", "GAIN") == 200.0)
    loud = fits.getdata(io.BytesIO(expose(client, 0.1))).astype(float)
    # 200 tenths of a decibel: ten times.
    spread = [np.subtract(*np.percentile(p, [75, 25])) for p in (loud, quiet)]
    assert spread[0] / spread[1] == pytest.approx(10.0, rel=0.1)
    client.number("Hoopoe", "CCD_FRAME", X=1200, Y=50, WIDTH=320, HEIGHT=200)
    client.wait_state("Hoopoe", "CCD_FRAME", "Alert")
    client.number("Hoopoe", "CCD_FRAME", X=0, Y=0, WIDTH=1280, HEIGHT=960)
    client.number("Hoopoe", "CCD_GAIN", GAIN=0)
    client.wait(lambda: client.float("Hoopoe", "CCD_GAIN", "GAIN") == 0.0)


def test_two_clients_share_the_devices_and_a_broken_one_harms_nobody(client, served):
    second = IndiClient(client.port)
    second.get_properties()
    second.wait(lambda: ("Kudu", "EQUATORIAL_EOD_COORD") in second.state)
    broken = socket.create_connection(("127.0.0.1", client.port), timeout=5.0)
    broken.sendall(b"<getProperties version='1.7'/> </nonsense>")
    assert broken.recv(1 << 16)
    broken.close()
    expose(client, 0.1)
    assert not second.blobs, "no picture without enableBLOB"
    second.close()
    expose(client, 0.1)
    os.kill(served[1], 0)


def test_a_wrong_setting_ends_the_driver_with_one_line(tmp_path):
    path = tmp_path / "sky.toml"
    path.write_text("[mount]\nslew_speed = 3\n")
    result = subprocess.run(
        [str(DRIVER), "--port", "0", "--sky", str(path)], capture_output=True, timeout=60
    )
    assert result.returncode == 2
    lines = result.stderr.decode().strip().splitlines()
    assert len(lines) == 1
    assert "mount.slew_speed" in lines[0]
    assert "slew_rate_deg_s" in lines[0]


def test_a_taken_port_ends_the_driver_with_one_line():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        result = subprocess.run(
            [str(DRIVER), "--port", str(taken.getsockname()[1])], capture_output=True, timeout=60
        )
    assert result.returncode == 3
    assert len(result.stderr.decode().strip().splitlines()) == 1


def test_a_terminated_driver_ends_soon(sky):
    with by_itself(sky) as (client, process):
        ready(client)
        client.number("Hoopoe", "CCD_EXPOSURE", CCD_EXPOSURE_VALUE=30.0)
        client.wait_state("Hoopoe", "CCD_EXPOSURE", "Busy")
        process.terminate()
        assert process.wait(5) == 0


def test_the_simulator_does_not_outlive_whoever_started_it():
    """Killed hard, the caller ends nothing; its end of the pipe closes all the same."""
    caller = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import subprocess, sys\n"
            f"child = subprocess.Popen([{str(DRIVER)!r}, '--port', '0', '--seed', '1',"
            " '--until-input-ends'], stdin=subprocess.PIPE)\n"
            "child.wait()\n",
        ],
        stdout=subprocess.PIPE,
    )
    try:
        assert caller.stdout is not None
        port = int(caller.stdout.readline().decode().rsplit(":", 1)[1])
        client = IndiClient(port)
        client.close()
    finally:
        caller.kill()
    # The output ends only when the simulator, which holds it too, has ended.
    assert caller.communicate(timeout=30) == (b"", None)
    with pytest.raises(ConnectionRefusedError):
        IndiClient(port)
