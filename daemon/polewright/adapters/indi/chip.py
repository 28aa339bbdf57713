"""Chip: which of a camera's sensors is used, and how it is set before it exposes."""

import logging
from dataclasses import dataclass

from polewright.adapters.indi.device import IndiDevice
from polewright.core.errors import DeviceError

_LOG = logging.getLogger(__name__)

# Drivers round a window to multiples of 4 or 8 px, so one that is nearly whole is whole.
_NEARLY_WHOLE = 0.97
# Older drivers have one property for all of their numbers.
_GAIN = (("CCD_GAIN", "GAIN"), ("CCD_CONTROLS", "Gain"))
_OFFSET = (("CCD_OFFSET", "OFFSET"), ("CCD_CONTROLS", "Offset"))

# Settings that would keep frames away from this program or change what they hold, each with what
# is set instead: (property, wanted, acceptable).
_NEEDED_SWITCHES = (
    ("UPLOAD_MODE", "UPLOAD_BOTH", ("UPLOAD_CLIENT", "UPLOAD_BOTH")),
    ("CCD_TRANSFER_FORMAT", "FORMAT_FITS", ("FORMAT_FITS",)),
    ("CCD_FAST_TOGGLE", "INDI_DISABLED", ("INDI_DISABLED",)),
    ("CCD_VIDEO_STREAM", "STREAM_OFF", ("STREAM_OFF",)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """The names under which INDI offers one sensor of a camera."""

    words: str
    exposure: str
    exposure_value: str
    abort: str
    info: str
    frame: str
    frame_reset: str
    frame_type: str
    binning: str
    picture: str


MAIN_CHIP = Chip(
    words="camera",
    exposure="CCD_EXPOSURE",
    exposure_value="CCD_EXPOSURE_VALUE",
    abort="CCD_ABORT_EXPOSURE",
    info="CCD_INFO",
    frame="CCD_FRAME",
    frame_reset="CCD_FRAME_RESET",
    frame_type="CCD_FRAME_TYPE",
    binning="CCD_BINNING",
    picture="CCD1",
)
GUIDE_CHIP = Chip(
    words="guide head",
    exposure="GUIDER_EXPOSURE",
    exposure_value="GUIDER_EXPOSURE_VALUE",
    abort="GUIDER_ABORT_EXPOSURE",
    info="GUIDER_INFO",
    frame="GUIDER_FRAME",
    frame_reset="GUIDER_FRAME_RESET",
    frame_type="GUIDER_FRAME_TYPE",
    binning="GUIDER_BINNING",
    picture="CCD2",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChipWishes:
    """What the person wants set; None: as the driver has it."""

    binning: int | None = None
    gain: float | None = None
    offset: float | None = None


class ChipSetup:
    """Brings one chip of a connected camera into the state in which its frames are of use.

    What a driver refuses is told once and not asked for again.
    """

    def __init__(self, device: IndiDevice, chip: Chip, wishes: ChipWishes) -> None:
        self._device = device
        self._chip = chip
        self._wishes = wishes
        self._given_up: set[str] = set()

    async def ensure(self) -> None:
        """Set what is not as it must be.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where a switch without which no frame comes cannot be set, or a value that the person
            wants is refused.
        """
        needed = (*_NEEDED_SWITCHES, (self._chip.frame_type, "FRAME_LIGHT", ("FRAME_LIGHT",)))
        for prop, wanted, acceptable in needed:
            current = self._device.read(prop)
            if (
                current is not None
                and wanted in current.switches
                and not any(current.is_on(element) for element in acceptable)
            ):
                _LOG.info("%s: setting %s to %s", self._device.name, prop, wanted)
                await self._device.switch(prop, wanted, task=f"set {prop} to {wanted}")
        await self._bin()
        await self._whole_frame()
        await self._value("gain", self._wishes.gain, _GAIN)
        await self._value("offset", self._wishes.offset, _OFFSET)

    async def _bin(self) -> None:
        wanted = self._wishes.binning
        if wanted is None:
            return
        current = self._device.read(self._chip.binning)
        if current is None:
            if wanted != 1:
                raise _cannot(self._device.name, "bin its pixels", "binning")
            return
        if all(value == wanted for value in current.numbers.values()):
            return
        await self._device.set_numbers(
            self._chip.binning, dict.fromkeys(current.numbers, float(wanted)), task="bin its pixels"
        )

    async def _whole_frame(self) -> None:
        """Take away a window that another program left on the chip."""
        frame, info = self._device.read(self._chip.frame), self._device.read(self._chip.info)
        if frame is None or info is None or self._chip.frame in self._given_up:
            return
        whole = info.numbers.get("CCD_MAX_X", 0.0), info.numbers.get("CCD_MAX_Y", 0.0)
        now = frame.numbers.get("WIDTH", 0.0), frame.numbers.get("HEIGHT", 0.0)
        # A driver whose numbers are still 0 has not told yet.
        if min(*whole, *now) <= 0.0 or (
            now[0] >= _NEARLY_WHOLE * whole[0] and now[1] >= _NEARLY_WHOLE * whole[1]
        ):
            return
        _LOG.warning(
            "%s: another program left a window of %.0f x %.0f px on the chip of %.0f x %.0f: "
            "taking it away",
            self._device.name, *now, *whole,
        )  # fmt: skip
        try:
            await self._device.set_numbers(
                self._chip.frame,
                {"X": 0.0, "Y": 0.0, "WIDTH": whole[0], "HEIGHT": whole[1]},
                task="use its whole chip",
            )
        except DeviceError as trouble:
            # A window is a smaller field, not a wrong one.
            self._given_up.add(self._chip.frame)
            _LOG.warning("%s; going on with the window", trouble)

    async def _value(
        self, words: str, wanted: float | None, places: tuple[tuple[str, str], ...]
    ) -> None:
        if wanted is None:
            return
        for prop, element in places:
            current = self._device.read(prop)
            if current is None or element not in current.numbers:
                continue
            low, high = current.limits.get(element, (0.0, 0.0))
            if high > low and not low <= wanted <= high:
                raise DeviceError(
                    f"{self._device.name} takes a {words} of {low:g} to {high:g}, not {wanted:g}",
                    remedy=f"Correct [camera] {words}, or leave it out",
                    code="setting_out_of_range",
                )
            if current.numbers[element] != wanted:
                await self._device.set_numbers(prop, {element: wanted}, task=f"set its {words}")
            return
        raise _cannot(self._device.name, f"set its {words}", words)


def _cannot(name: str, task: str, setting: str) -> DeviceError:
    return DeviceError(
        f"The driver of {name} cannot {task}",
        remedy=f"Leave [camera] {setting} out, and set it at the camera itself",
        code="not_supported",
    )
