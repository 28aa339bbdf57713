"""Camera: the INDI device "Hoopoe"."""

import asyncio
import dataclasses
import logging
from typing import Any

import numpy as np
from indipydriver import BLOBMember, BLOBVector

from polewright_drivers.sky_simulator import fits
from polewright_drivers.sky_simulator.device import (
    CCD_INTERFACE,
    Refused,
    SimulatedDevice,
    number,
    numbers,
    set_only,
    switches,
    texts,
)
from polewright_drivers.sky_simulator.rendering import Readout, Renderer
from polewright_drivers.sky_simulator.rig import Exposure, Rig
from polewright_drivers.sky_simulator.scenario import FaultsTruth
from polewright_drivers.sky_simulator.simulated_clock import SimulatedClock, utc

logger = logging.getLogger(__name__)

_MAIN = "Main Control"
_IMAGE = "Image Settings"
_COUNTDOWN_S = 0.5
"""How often the time left is told (host s)."""
_SHORTEST_S, _LONGEST_S = 0.0001, 3600.0
_FAULTS = [f.name for f in dataclasses.fields(FaultsTruth)]
_JUNK = b"this is not a picture " * 500


class Camera(SimulatedDevice):
    """The camera as INDI sees it.

    Parameters
    ----------
    rig : Rig
        What it is mounted on.
    clock : SimulatedClock
        The evening's time.
    """

    def __init__(self, rig: Rig, clock: SimulatedClock) -> None:
        self._rig = rig
        self._clock = clock
        scenario = rig.scenario
        camera = scenario.camera
        self._renderer = Renderer(camera, scenario.sky, scenario.seed)
        self._task: asyncio.Task[None] | None = None
        self._count = 0
        pixel = camera.pixel_size_um
        self.exposure = numbers(
            "CCD_EXPOSURE",
            "Expose",
            _MAIN,
            "rw",
            [("CCD_EXPOSURE_VALUE", "Duration (s)", "%5.2f", _SHORTEST_S, _LONGEST_S, 1.0)],
        )
        self.abort = switches(
            "CCD_ABORT_EXPOSURE", "Abort", _MAIN, [("ABORT", "Abort")], rule="AtMostOne"
        )
        self.info = numbers(
            "CCD_INFO",
            "CCD Information",
            "Image Info",
            "ro",
            [
                ("CCD_MAX_X", "Max. Width", "%.f", 1.0, 16384.0, float(camera.width_px)),
                ("CCD_MAX_Y", "Max. Height", "%.f", 1.0, 16384.0, float(camera.height_px)),
                ("CCD_PIXEL_SIZE", "Pixel size (um)", "%.2f", 1.0, 50.0, pixel),
                ("CCD_PIXEL_SIZE_X", "Pixel size X", "%.2f", 1.0, 50.0, pixel),
                ("CCD_PIXEL_SIZE_Y", "Pixel size Y", "%.2f", 1.0, 50.0, pixel),
                ("CCD_BITSPERPIXEL", "Bits per pixel", "%.f", 8.0, 64.0, float(camera.bits)),
            ],
            state="Ok",
        )
        self.frame = numbers(
            "CCD_FRAME",
            "Frame",
            _IMAGE,
            "rw",
            [
                ("X", "Left", "%.f", 0.0, camera.width_px - 1.0, 0.0),
                ("Y", "Top", "%.f", 0.0, camera.height_px - 1.0, 0.0),
                ("WIDTH", "Width", "%.f", 16.0, float(camera.width_px), float(camera.width_px)),
                (
                    "HEIGHT",
                    "Height",
                    "%.f",
                    16.0,
                    float(camera.height_px),
                    float(camera.height_px),
                ),
            ],
            state="Ok",
        )
        self.binning = numbers(
            "CCD_BINNING",
            "Binning",
            _IMAGE,
            "rw",
            [("HOR_BIN", "X", "%.f", 1.0, 4.0, 1.0), ("VER_BIN", "Y", "%.f", 1.0, 4.0, 1.0)],
            state="Ok",
        )
        self.frame_type = switches(
            "CCD_FRAME_TYPE",
            "Frame Type",
            _IMAGE,
            [("FRAME_LIGHT", "Light")],
            on="FRAME_LIGHT",
            state="Ok",
        )
        self.gain = numbers(
            "CCD_GAIN",
            "Gain",
            _MAIN,
            "rw",
            [("GAIN", "Gain (0.1 dB)", "%.f", 0.0, 400.0, 0.0)],
            state="Ok",
        )
        self.upload_mode = switches(
            "UPLOAD_MODE",
            "Upload",
            "Options",
            [("UPLOAD_CLIENT", "Client")],
            on="UPLOAD_CLIENT",
            state="Ok",
        )
        self.scope_info = numbers(
            "SCOPE_INFO",
            "Scope",
            "Options",
            "rw",
            [
                (
                    "FOCAL_LENGTH",
                    "Focal Length (mm)",
                    "%g",
                    0.0,
                    20000.0,
                    camera.told_focal_length_mm,
                ),
                ("APERTURE", "Aperture (mm)", "%g", 0.0, 5000.0, camera.aperture_mm),
            ],
            state="Ok",
        )
        self.picture = BLOBVector(
            "CCD1",
            "Image Data",
            "Image Info",
            "ro",
            "Idle",
            [BLOBMember("CCD1", "Image", 0, ".fits")],
        )
        self.faults = switches(
            "SIMULATOR_FAULTS",
            "Faults",
            "Simulation",
            [(name.upper(), name.replace("_", " ")) for name in _FAULTS],
            rule="AnyOfMany",
        )
        for name in _FAULTS:
            self.faults[name.upper()] = "On" if getattr(scenario.faults, name) else "Off"
        properties: list[Any] = [
            self.exposure,
            self.abort,
            self.info,
            self.frame,
            self.binning,
            self.frame_type,
            self.gain,
            self.upload_mode,
            self.scope_info,
            self.picture,
            self.faults,
        ]
        if camera.bayer_pattern:
            properties.append(
                texts(
                    "CCD_CFA",
                    "Bayer Info",
                    "Image Info",
                    [
                        ("CFA_OFFSET_X", "X Offset", "0"),
                        ("CFA_OFFSET_Y", "Y Offset", "0"),
                        ("CFA_TYPE", "Filter", camera.bayer_pattern),
                    ],
                    perm="ro",
                    state="Ok",
                )
            )
        super().__init__("Hoopoe", CCD_INTERFACE, properties)

    async def disconnecting(self) -> None:
        """End a running exposure without a picture."""
        self._cancel()

    def shutdown(self) -> None:
        """End with the driver."""
        self._cancel()
        super().shutdown()

    def _cancel(self) -> None:
        if self._task is not None:
            self._task.cancel()
            self._task = None

    async def asked(self, event: Any) -> None:
        """Do what a client asks of one property."""
        match event.vectorname:
            case "CCD_EXPOSURE":
                await self._expose(number(event, "CCD_EXPOSURE_VALUE"))
            case "CCD_ABORT_EXPOSURE":
                self._cancel()
                set_only(self.abort, None)
                await self.abort.send_setVector(state="Ok")
                self.exposure["CCD_EXPOSURE_VALUE"] = "0"
                await self.exposure.send_setVector(state="Idle")
            case "CCD_FRAME":
                await self._set_frame(event)
            case "CCD_BINNING":
                await self._set_binning(event)
            case "CCD_GAIN":
                gain = number(event, "GAIN")
                if not 0.0 <= gain <= 400.0:
                    raise Refused(f"gain {gain:g} is outside 0 to 400")
                self.gain["GAIN"] = repr(gain)
                await self.gain.send_setVector(state="Ok")
            case "SIMULATOR_FAULTS":
                for name, value in event.items():
                    self.faults[name] = value
                await self.faults.send_setVector(state="Ok")
            case "SCOPE_INFO":
                for name in event:
                    self.scope_info[name] = repr(number(event, name))
                await self.scope_info.send_setVector(state="Ok")
            case _:
                await event.vector.send_setVector(state="Ok")

    async def _set_frame(self, event: Any) -> None:
        """Choose a part of the sensor."""
        camera = self._rig.scenario.camera
        wanted = {name: int(number(event, name, float(self.frame[name]))) for name in self.frame}
        if (
            min(wanted["X"], wanted["Y"]) < 0
            or min(wanted["WIDTH"], wanted["HEIGHT"]) < 16
            or wanted["X"] + wanted["WIDTH"] > camera.width_px
            or wanted["Y"] + wanted["HEIGHT"] > camera.height_px
        ):
            raise Refused("that frame is not on the sensor")
        for name, value in wanted.items():
            self.frame[name] = str(value)
        await self.frame.send_setVector(state="Ok")

    async def _set_binning(self, event: Any) -> None:
        """Choose the binning, the same both ways."""
        across = number(event, "HOR_BIN", float(self.binning["HOR_BIN"]))
        down = number(event, "VER_BIN", across)
        if across != down or across not in (1.0, 2.0, 3.0, 4.0):
            raise Refused("binning must be 1, 2, 3 or 4, the same both ways")
        for name in self.binning:
            self.binning[name] = str(int(across))
        await self.binning.send_setVector(state="Ok")

    async def _expose(self, duration_s: float) -> None:
        """Start an exposure; a running one is replaced."""
        if not _SHORTEST_S <= duration_s <= _LONGEST_S:
            raise Refused(
                f"an exposure of {duration_s:g} s is outside {_SHORTEST_S:g} to {_LONGEST_S:g} s"
            )
        self._cancel()
        self.exposure["CCD_EXPOSURE_VALUE"] = repr(duration_s)
        await self.exposure.send_setVector(state="Busy")
        self._task = asyncio.create_task(self._run(duration_s))

    async def _run(self, duration_s: float) -> None:
        """Expose, read out and deliver; a bug here is told to the client and logged."""
        try:
            await self._take(duration_s)
        except Exception:
            logger.exception("the exposure failed")
            await self.exposure.send_setVector(state="Alert", message="the exposure failed")

    async def _take(self, duration_s: float) -> None:
        exposure, start_s = self._rig.begin_exposure()
        try:
            loop = asyncio.get_running_loop()
            end = loop.time() + self._clock.host_s(duration_s)
            while (left := end - loop.time()) > 0.0:
                await asyncio.sleep(min(left, _COUNTDOWN_S))
                rest_s = max(end - loop.time(), 0.0) * self._clock.time_factor
                if rest_s > 0.0:
                    self.exposure["CCD_EXPOSURE_VALUE"] = f"{rest_s:.3f}"
                    await self.exposure.send_setVector(state="Busy")
        finally:
            self._rig.end_exposure(exposure)
        if self._fault("CAMERA_NEVER_DELIVERS"):
            return
        readout = self._readout()
        believed = self._rig.believed_place()
        await asyncio.sleep(self._clock.host_s(self._rig.scenario.camera.readout_s))
        if self._fault("BLOB_IS_JUNK"):
            content = _JUNK
        else:
            content = await asyncio.to_thread(
                self._develop, exposure, start_s, duration_s, readout, believed
            )
        await self._deliver(content)

    def _fault(self, name: str) -> bool:
        return bool(self.faults[name] == "On")

    async def _deliver(self, content: bytes) -> None:
        """Send the picture, then that the exposure has ended."""
        self._count += 1
        self.picture["CCD1"] = content
        # Left alone, the size of the first picture would be sent for ever.
        self.picture.set_blobsize("CCD1", len(content))
        await self.picture.send_setVectorMembers(state="Ok", members=["CCD1"])
        self.exposure["CCD_EXPOSURE_VALUE"] = "0"
        await self.exposure.send_setVector(state="Ok")

    def _readout(self) -> Readout:
        return Readout(
            left_px=int(float(self.frame["X"])),
            top_px=int(float(self.frame["Y"])),
            width_px=int(float(self.frame["WIDTH"])),
            height_px=int(float(self.frame["HEIGHT"])),
            binning=int(float(self.binning["HOR_BIN"])),
            gain_factor=10.0 ** (self.gain.getfloatvalue("GAIN") / 200.0),
        )

    def _develop(
        self,
        exposure: Exposure,
        start_s: float,
        duration_s: float,
        readout: Readout,
        believed: tuple[float, float],
    ) -> bytes:
        """Return the picture as a FITS file (runs in a thread)."""
        trails = self._rig.trails(exposure, start_s, duration_s)
        expected = self._renderer.expected(trails, duration_s, clouds=self._fault("CLOUDS"))
        pixels = self._renderer.read(expected, readout)
        if self._fault("BLACK_FRAME"):
            pixels = np.zeros_like(pixels)
        return fits.encode(pixels, self._cards(start_s, duration_s, readout, believed))

    def _cards(
        self,
        start_s: float,
        duration_s: float,
        readout: Readout,
        believed: tuple[float, float],
    ) -> dict[str, tuple[fits.Value, str]]:
        """Return the header of one picture."""
        rig, camera = self._rig, self._rig.scenario.camera
        middle_s = start_s + duration_s / 2.0
        ra_deg, dec_deg = rig.sky.icrs_of_date(*believed, middle_s)
        pixel_um = camera.pixel_size_um * readout.binning
        start = utc(round(start_s, 3)).replace(tzinfo=None).isoformat(timespec="milliseconds")
        cards: dict[str, tuple[fits.Value, str]] = {
            "DATE-OBS": (start, "UTC start of exposure"),
            "TIMESYS": ("UTC", "time scale of DATE-OBS"),
            "EXPTIME": (duration_s, "[s] exposure time"),
            "INSTRUME": ("Hoopoe", "camera"),
            "TELESCOP": ("Kudu", "mount"),
            "SITENAME": (rig.scenario.site.name, "invented place"),
            "IMAGETYP": ("Light Frame", "frame type"),
            "FOCALLEN": (camera.told_focal_length_mm, "[mm] focal length as told"),
            "APTDIA": (camera.aperture_mm, "[mm] aperture"),
            "PIXSIZE1": (pixel_um, "[um] pixel size with binning"),
            "PIXSIZE2": (pixel_um, "[um] pixel size with binning"),
            "XPIXSZ": (pixel_um, "[um] pixel size with binning"),
            "YPIXSZ": (pixel_um, "[um] pixel size with binning"),
            "XBINNING": (readout.binning, "binning of columns"),
            "YBINNING": (readout.binning, "binning of rows"),
            "GAIN": (self.gain.getfloatvalue("GAIN"), "[0.1 dB] gain setting"),
            "RA": (ra_deg, "[deg] ICRS, where the mount believes it points"),
            "DEC": (dec_deg, "[deg] ICRS, where the mount believes it points"),
            "EQUINOX": (2000.0, "equinox of RA and DEC"),
            "SITELAT": (rig.believed_latitude_deg, "[deg] latitude as the mount knows it"),
            "SITELONG": (rig.believed_longitude_deg, "[deg] longitude, east positive"),
            "ROWORDER": ("TOP-DOWN", "first row is the top of the picture"),
        }
        if camera.bayer_pattern and readout.binning == 1:
            cards["BAYERPAT"] = (camera.bayer_pattern, "colour filters of the first 2 x 2")
            cards["XBAYROFF"] = (readout.left_px % 2, "column offset of the pattern")
            cards["YBAYROFF"] = (readout.top_px % 2, "row offset of the pattern")
        return cards
