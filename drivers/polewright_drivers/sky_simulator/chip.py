"""Chip: one sensor of the simulated camera, with the INDI properties that belong to it."""

import asyncio
import logging
import zlib
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from indipydriver import BLOBMember, BLOBVector
from numpy.typing import NDArray

from polewright_drivers.indi.device import (
    Refused,
    number,
    numbers,
    set_only,
    switches,
)
from polewright_drivers.sky_simulator import fits
from polewright_drivers.sky_simulator.rendering import Readout

logger = logging.getLogger(__name__)

_MAIN = "Main Control"
_IMAGE = "Image Settings"
SHORTEST_S, LONGEST_S = 0.0001, 3600.0

Pixels = NDArray[np.uint8] | NDArray[np.uint16]
Cards = dict[str, tuple[fits.Value, str]]


Expose = Callable[["Chip", float], Awaitable[None]]
"""Takes a picture with a chip (exposure in s) and delivers it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Where on the sensor a chip lies, and its pixels (px, um)."""

    left_px: int
    top_px: int
    width_px: int
    height_px: int
    pixel_size_um: float
    bits: int


class Chip:
    """A sensor's exposure, window, binning and picture.

    Parameters
    ----------
    prefix, picture : str
        How INDI's names begin (``CCD`` or ``GUIDER``) and the name of its pictures.
    window : Window
        Where it lies.
    binning_left, window_left : int, bool
        What another program left set.
    form : str
        INDI's name of the pictures' format.
    """

    def __init__(
        self,
        prefix: str,
        picture: str,
        window: Window,
        *,
        binning_left: int = 1,
        window_left: bool = False,
        form: str = ".fits",
    ) -> None:
        self.prefix = prefix
        self.window = window
        self.task: asyncio.Task[None] | None = None
        wide, high, pixel = window.width_px, window.height_px, window.pixel_size_um
        self.exposure = numbers(
            f"{prefix}_EXPOSURE",
            "Expose",
            _MAIN,
            "rw",
            [(f"{prefix}_EXPOSURE_VALUE", "Duration (s)", "%5.2f", SHORTEST_S, LONGEST_S, 1.0)],
        )
        self.abort = switches(
            f"{prefix}_ABORT_EXPOSURE", "Abort", _MAIN, [("ABORT", "Abort")], rule="AtMostOne"
        )
        self.info = numbers(
            f"{prefix}_INFO",
            "CCD Information",
            "Image Info",
            "ro",
            [
                ("CCD_MAX_X", "Max. Width", "%.f", 1.0, 16384.0, float(wide)),
                ("CCD_MAX_Y", "Max. Height", "%.f", 1.0, 16384.0, float(high)),
                ("CCD_PIXEL_SIZE", "Pixel size (um)", "%.2f", 1.0, 50.0, pixel),
                ("CCD_PIXEL_SIZE_X", "Pixel size X", "%.2f", 1.0, 50.0, pixel),
                ("CCD_PIXEL_SIZE_Y", "Pixel size Y", "%.2f", 1.0, 50.0, pixel),
                ("CCD_BITSPERPIXEL", "Bits per pixel", "%.f", 8.0, 64.0, float(window.bits)),
            ],
            state="Ok",
        )
        part = 4 if window_left else 1
        # Even places keep a mosaic's phase.
        left, top = ((side * (part - 1) // (2 * part)) // 2 * 2 for side in (wide, high))
        self.frame = numbers(
            f"{prefix}_FRAME",
            "Frame",
            _IMAGE,
            "rw",
            [
                ("X", "Left", "%.f", 0.0, wide - 1.0, float(left)),
                ("Y", "Top", "%.f", 0.0, high - 1.0, float(top)),
                ("WIDTH", "Width", "%.f", 16.0, float(wide), float(wide // part)),
                ("HEIGHT", "Height", "%.f", 16.0, float(high), float(high // part)),
            ],
            state="Ok",
        )
        binning = float(binning_left)
        self.binning = numbers(
            f"{prefix}_BINNING",
            "Binning",
            _IMAGE,
            "rw",
            [
                ("HOR_BIN", "X", "%.f", 1.0, 4.0, binning),
                ("VER_BIN", "Y", "%.f", 1.0, 4.0, binning),
            ],
            state="Ok",
        )
        self.frame_type = switches(
            f"{prefix}_FRAME_TYPE",
            "Frame Type",
            _IMAGE,
            [("FRAME_LIGHT", "Light")],
            on="FRAME_LIGHT",
            state="Ok",
        )
        self.picture_name = picture
        self.picture = BLOBVector(
            picture,
            "Image Data",
            "Image Info",
            "ro",
            "Idle",
            [BLOBMember(picture, "Image", 0, form)],
        )

    @property
    def properties(self) -> list[Any]:
        """All of its properties."""
        return [
            self.exposure,
            self.abort,
            self.info,
            self.frame,
            self.binning,
            self.frame_type,
            self.picture,
        ]

    def cancel(self) -> None:
        """End a running exposure without a picture."""
        if self.task is not None:
            self.task.cancel()
            self.task = None

    async def asked(self, event: Any, expose: Expose) -> bool:
        """Do what a client asks of one of its properties; False where it is not one of them."""
        match event.vectorname.removeprefix(f"{self.prefix}_"):
            case "EXPOSURE":
                await self._expose(number(event, f"{self.prefix}_EXPOSURE_VALUE"), expose)
            case "ABORT_EXPOSURE":
                self.cancel()
                set_only(self.abort, None)
                await self.abort.send_setVector(state="Ok")
                await self.tell("Idle", 0.0)
            case "FRAME":
                await self._set_frame(event)
            case "BINNING":
                await self._set_binning(event)
            case _:
                return False
        return True

    async def _expose(self, duration_s: float, expose: Expose) -> None:
        """Start an exposure; a running one is replaced."""
        if not SHORTEST_S <= duration_s <= LONGEST_S:
            raise Refused(
                f"an exposure of {duration_s:g} s is outside {SHORTEST_S:g} to {LONGEST_S:g} s"
            )
        self.cancel()
        await self.tell("Busy", duration_s)
        self.task = asyncio.create_task(self._run(duration_s, expose))

    async def _run(self, duration_s: float, expose: Expose) -> None:
        """Expose, read out and deliver; a bug here is told to the client and logged."""
        try:
            await expose(self, duration_s)
        except Exception:
            logger.exception("the exposure failed")
            await self.exposure.send_setVector(state="Alert", message="the exposure failed")

    async def tell(self, state: str, left_s: float) -> None:
        """Tell how long the exposure still takes (s)."""
        self.exposure[f"{self.prefix}_EXPOSURE_VALUE"] = f"{left_s:.4f}"
        await self.exposure.send_setVector(state=state)

    async def deliver(self, content: bytes, plain_size: int) -> None:
        """Send the picture (``plain_size``: before packing), then that the exposure has ended."""
        name = self.picture_name
        self.picture[name] = content
        # Left alone, the size of the first picture would be sent for ever.
        self.picture.set_blobsize(name, plain_size)
        await self.picture.send_setVectorMembers(state="Ok", members=[name])
        await self.tell("Ok", 0.0)

    def readout(self, gain_factor: float) -> Readout:
        """Return what part of the whole sensor is read, and how."""
        return Readout(
            left_px=self.window.left_px + int(float(self.frame["X"])),
            top_px=self.window.top_px + int(float(self.frame["Y"])),
            width_px=int(float(self.frame["WIDTH"])),
            height_px=int(float(self.frame["HEIGHT"])),
            binning=int(float(self.binning["HOR_BIN"])),
            gain_factor=gain_factor,
        )

    async def _set_frame(self, event: Any) -> None:
        """Choose a part of the chip."""
        wanted = {name: int(number(event, name, float(self.frame[name]))) for name in self.frame}
        if (
            min(wanted["X"], wanted["Y"]) < 0
            or min(wanted["WIDTH"], wanted["HEIGHT"]) < 16
            or wanted["X"] + wanted["WIDTH"] > self.window.width_px
            or wanted["Y"] + wanted["HEIGHT"] > self.window.height_px
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


FORMS = {"": ".fits", "z": ".fits.z", "fz": ".fits.fz"}
"""INDI's name of a picture's format, by the scenario's compression."""


def packed(pixels: Pixels, cards: Cards, compression: str) -> tuple[bytes, int]:
    """Return a picture as a file, and how large it would be unpacked (bytes)."""
    plain = fits.encode(pixels, cards)
    match compression:
        case "z":
            return zlib.compress(plain, 1), len(plain)
        case "fz":
            return fits.tiled(plain), len(plain)
        case _:
            return plain, len(plain)
