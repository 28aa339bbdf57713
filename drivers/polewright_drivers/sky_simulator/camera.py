"""Camera: the INDI device "Hoopoe"."""

import asyncio
import dataclasses
from typing import Any

import numpy as np

from polewright_drivers.indi.device import (
    CCD_INTERFACE,
    Refused,
    number,
    numbers,
    switches,
    texts,
)
from polewright_drivers.sky_simulator import fits
from polewright_drivers.sky_simulator.chip import FORMS, Chip, Window, packed
from polewright_drivers.sky_simulator.device import SimulatedDevice
from polewright_drivers.sky_simulator.rendering import Readout, Renderer
from polewright_drivers.sky_simulator.rig import Exposure, Rig
from polewright_drivers.sky_simulator.scenario import CameraTruth, FaultsTruth
from polewright_drivers.sky_simulator.simulated_clock import SimulatedClock, utc

_MAIN = "Main Control"
_COUNTDOWN_S = 0.5
"""How often the time left is told (host s)."""
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
        form = FORMS[camera.compression]
        self.main = Chip(
            "CCD",
            "CCD1",
            _window(camera, camera.width_px, camera.height_px),
            binning_left=camera.binning_left,
            window_left=camera.window_left,
            form=form,
        )
        self._chips = [self.main]
        if camera.guide_width_px and camera.guide_height_px:
            window = _window(camera, camera.guide_width_px, camera.guide_height_px)
            self._chips.append(Chip("GUIDER", "CCD2", window, form=form))
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
            *(vector for chip in self._chips for vector in chip.properties),
            self.gain,
            self.upload_mode,
            self.scope_info,
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
        for chip in self._chips:
            chip.cancel()

    async def asked(self, event: Any) -> None:
        """Do what a client asks of one property."""
        for chip in self._chips:
            if event.vectorname.startswith(f"{chip.prefix}_") and await chip.asked(
                event, self._take
            ):
                return
        match event.vectorname:
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

    async def _take(self, chip: Chip, duration_s: float) -> None:
        """Expose, read out and deliver."""
        exposure, start_s = self._rig.begin_exposure()
        try:
            loop = asyncio.get_running_loop()
            end = loop.time() + self._clock.host_s(duration_s)
            while (left := end - loop.time()) > 0.0:
                await asyncio.sleep(min(left, _COUNTDOWN_S))
                rest_s = max(end - loop.time(), 0.0) * self._clock.time_factor
                if rest_s > 0.0:
                    await chip.tell("Busy", rest_s)
        finally:
            self._rig.end_exposure(exposure)
        if self._fault("CAMERA_NEVER_DELIVERS"):
            return
        readout = chip.readout(10.0 ** (self.gain.getfloatvalue("GAIN") / 200.0))
        believed = self._rig.believed_place()
        await asyncio.sleep(self._clock.host_s(self._rig.scenario.camera.readout_s))
        if self._fault("BLOB_IS_JUNK"):
            content, plain_size = _JUNK, len(_JUNK)
        else:
            content, plain_size = await asyncio.to_thread(
                self._develop, exposure, start_s, duration_s, readout, believed
            )
        await chip.deliver(content, plain_size)

    def _fault(self, name: str) -> bool:
        return bool(self.faults[name] == "On")

    def _develop(
        self,
        exposure: Exposure,
        start_s: float,
        duration_s: float,
        readout: Readout,
        believed: tuple[float, float],
    ) -> tuple[bytes, int]:
        """Return the picture as a file, and its size unpacked (runs in a thread)."""
        trails = self._rig.trails(exposure, start_s, duration_s)
        expected = self._renderer.expected(
            trails, duration_s, clouds=self._fault("CLOUDS"), satellite=self._fault("SATELLITE")
        )
        pixels = self._renderer.read(expected, readout)
        if self._fault("BLACK_FRAME"):
            pixels = np.zeros_like(pixels)
        cards = self._cards(start_s, duration_s, readout, believed)
        content, plain_size = packed(pixels, cards, self._rig.scenario.camera.compression)
        if self._fault("BLOB_IS_TORN"):
            content = content[: len(content) // 2]
        return content, plain_size

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
            "PIXSIZE1": (camera.pixel_size_um, "[um] pixel size without binning"),
            "PIXSIZE2": (camera.pixel_size_um, "[um] pixel size without binning"),
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


def _window(camera: CameraTruth, width_px: int, height_px: int) -> Window:
    """Return a chip of that size in the middle of the field."""
    return Window(
        # Even places keep a mosaic's phase.
        left_px=(camera.width_px - width_px) // 4 * 2,
        top_px=(camera.height_px - height_px) // 4 * 2,
        width_px=width_px,
        height_px=height_px,
        pixel_size_um=camera.pixel_size_um,
        bits=camera.bits,
    )
