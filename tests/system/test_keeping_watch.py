"""The watch end to end: another program images through the same server and writes FITS files."""

import asyncio
import json
import math

import pytest

from polewright.app.rehearsal import connect_bolts, read_truth, turn_knobs
from tests.system.evening_processes import NO_PAGE, SHORT_SURVEY, evening_processes
from tests.system.indi_client import IndiClient
from tests.system.indi_servers import needs_indiserver
from tests.system.mqtt_brokers import listening, wait_until

pytestmark = [pytest.mark.indi, pytest.mark.broker, pytest.mark.slow, needs_indiserver]


class Imager:
    """A program of its own that exposes the camera and writes what it gets into a folder."""

    def __init__(self, port, folder):
        self.client = IndiClient(port)
        self.folder = folder
        self.number = 0
        self.client.get_properties()
        self.client.wait(lambda: ("Hoopoe", "CCD_EXPOSURE") in self.client.state)
        self.client.send('<enableBLOB device="Hoopoe">Also</enableBLOB>')

    def image(self):
        had = len(self.client.blobs)
        self.client.number("Hoopoe", "CCD_EXPOSURE", CCD_EXPOSURE_VALUE=0.5)
        self.client.wait(lambda: len(self.client.blobs) > had, 20.0)
        self.number += 1
        path = self.folder / "night" / f"light_{self.number:04d}.fits"
        path.parent.mkdir(exist_ok=True)
        content = self.client.blobs[-1][0]
        with path.open("wb") as file:  # in two parts, as over a slow link
            file.write(content[: len(content) // 2])
            file.flush()
            file.write(content[len(content) // 2 :])


@pytest.mark.timeout(240)
async def test_frames_in_a_folder_show_that_the_tripod_was_bumped(tmp_path, monkeypatch):
    folder = tmp_path / "lights"
    folder.mkdir()
    more = f'{SHORT_SURVEY}{NO_PAGE}[watch]\nfolder = "{folder}"\n'
    async with (
        evening_processes(tmp_path, monkeypatch, sky="seed = 31\n", more=more) as evening,
        listening(evening.broker.port) as listener,
        evening.service(),
    ):
        await connect_bolts(evening.bench)
        await evening.until_ready()
        assert (await evening.says("survey", "--clear")).code == 1

        def told():
            texts = listener.texts("watch")
            return json.loads(texts[-1]) if texts else {"frames": -1, "alarms": []}

        watching = asyncio.create_task(evening.says("keep-watch"))
        await wait_until(lambda: told()["frames"] == 0, 20.0)
        # The service asks the mount for the first time, and looks through the folder.
        await asyncio.sleep(3.0)
        imager = Imager(evening.bench.port, folder)
        for number in range(1, 7):
            await asyncio.to_thread(imager.image)
            await wait_until(lambda: told()["frames"] == number, 30.0)  # noqa: B023
        assert told()["alarms"] == []
        assert told()["mount_vouches"] is True

        before = await read_truth(evening.bench)
        await turn_knobs(evening.bench, altitude_turns=0.0, azimuth_turns=0.15)
        await turn_knobs(evening.bench, altitude_turns=0.1, azimuth_turns=0.0)
        after = await read_truth(evening.bench)
        for _ in range(4):
            await asyncio.to_thread(imager.image)
            await asyncio.sleep(2.5)
        await wait_until(lambda: told()["alarms"], 30.0)
        (alarm,) = told()["alarms"]
        events = [json.loads(text) for text in listener.texts("event")]
        (moved,) = [event for event in events if event["code"] == "moved"]
        assert moved["level"] == "warning"
        _is_true(alarm, before, after)
        # The mount is asked, and never told anything; the watch ends without stopping it.
        ended = await evening.says("keep-watch", "--end")
        assert ended.json["stopped"] is True
        imager.client.close()
        # 1: the axis moved.
        assert (await watching).code == 1
        assert (await evening.says("status")).json["state"]["state"] == "idle"


def _is_true(alarm, before, after):
    """Hold the alarm against what the simulator's bolts did to its axis."""
    up = after["TRUE_AXIS_ALT_DEG"] - before["TRUE_AXIS_ALT_DEG"]
    sideways = after["TRUE_AXIS_AZ_DEG"] - before["TRUE_AXIS_AZ_DEG"]
    sideways *= math.cos(math.radians(after["TRUE_AXIS_ALT_DEG"]))
    assert alarm["altitude_move_arcmin"] == pytest.approx(
        60.0 * up, abs=4.0 * alarm["altitude_move_sigma_arcmin"]
    )
    assert alarm["azimuth_move_on_sky_arcmin"] == pytest.approx(
        60.0 * sideways, abs=4.0 * alarm["azimuth_move_on_sky_sigma_arcmin"]
    )
    assert alarm["size_arcmin"] > 5.0
