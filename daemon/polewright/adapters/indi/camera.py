"""Camera: takes frames through INDI."""

import asyncio
import logging
import math
import zlib
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from polewright.adapters.indi.chip import MAIN_CHIP, Chip, ChipSetup, ChipWishes
from polewright.adapters.indi.connection import IndiConnection, gone, is_withdrawal
from polewright.adapters.indi.device import IndiDevice
from polewright.adapters.indi.event_stream import EventStream
from polewright.adapters.indi.patience import Promptness, timeout_put_off
from polewright.adapters.indi.snapshot import BlobSnapshot, PropertySnapshot, PropertyState
from polewright.core.errors import DeviceError, LinkError, MeasurementError
from polewright.core.imaging.frame import Frame
from polewright.ports import CameraInfo

_LOG = logging.getLogger(__name__)

# Reading out and first word of a small frame, also from a computer under load (s).
DELIVERY_MARGIN_S = 30.0
# A weak Wi-Fi carries this much (bytes/s): 60 megapixels of 16 bits take 2 minutes.
SLOWEST_LINK_BYTES_S = 1.0e6
# 16 bits in base64.  By default indiserver drops a client that is 128 MB behind (indiserver -h):
# less than one frame of 61 megapixels.
_WIRE_BYTES_PER_PIXEL = 2.0 * 4.0 / 3.0
_SERVER_DROPS_BYTES = 128e6
# No chip has a million pixels a side, nor any other of its numbers.
_NO_CHIP = 1e6
# No picture unpacks to more than this: 200 megapixels of 16 bits (bytes).
_MOST_UNPACKED_BYTES = 400_000_000
# The frame comes some 15 ms before the exposure is reported done; some drivers stay busy (s).
DONE_AFTER_FRAME_S = 2.0
# Cameras with steps of a third of a stop may expose a fifth less than asked for (fraction).
_SHORTEST_PART = 0.75
# An abort is answered within one polling period, usually 1 s or less (s).
ABORT_S = 5.0
# Chip sizes follow the connection within milliseconds; they are only good to know (s).
CHIP_INFO_S = 2.0
# When an exposure starts is known from this side to about this (driver start, polling) (s).
OWN_TIMING_SIGMA_S = 0.3
# An instant in a header that is as near as this to a clock was taken from it (s).
_BY_THE_SAME_CLOCK_S = 5.0

Decode = Callable[[bytes, str], Frame]
Mend = Callable[[Frame], Frame]


def decode_picture(data: bytes, name: str) -> Frame:
    """Decode a picture with the core's decoder, whose heavy imports wait for the first frame."""
    from polewright.core.imaging import decode

    return decode.decode_picture(data, name=name)


_AS_IT_IS = ChipWishes()


class IndiCamera:
    """A camera; implements :class:`polewright.ports.Camera`.

    Parameters
    ----------
    connection : IndiConnection
        An open connection.
    name : str
        The device's name.
    decode : callable
        Turns the bytes of a picture and its name into a frame; raises MeasurementError where
        they are no picture.  Called in a worker thread.
    delivery_margin_s : float
        How long after the end of an exposure its frame may take to arrive (s).
    now : callable
        Tells the UTC instant.
    uncorrected : callable or None
        What this computer's own clock takes for it, by which drivers on it write their headers;
        None: the same.
    chip : Chip
        Which of its sensors.
    wishes : ChipWishes
        Binning, gain and offset.
    mend : callable or None
        Repairs known faults of the sensor in a decoded frame; called in a worker thread.
    """

    def __init__(
        self,
        connection: IndiConnection,
        name: str,
        *,
        decode: Decode = decode_picture,
        delivery_margin_s: float = DELIVERY_MARGIN_S,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        uncorrected: Callable[[], datetime] | None = None,
        chip: Chip = MAIN_CHIP,
        wishes: ChipWishes = _AS_IT_IS,
        mend: Mend | None = None,
    ) -> None:
        self.connection = connection
        self.chip = chip
        self._device = IndiDevice(connection, name, essential=chip.exposure, role=chip.words)
        self._setup = ChipSetup(self._device, chip, wishes)
        self._mend = mend
        self._decode = decode
        self._delivery_margin_s = delivery_margin_s
        self._now = now
        self._uncorrected = uncorrected or now
        self._promptness = Promptness()
        # An exposure was given up: its frame may still come.
        self._owes_a_frame = False
        # A second exposure would silently replace the first.
        self._one_at_a_time = asyncio.Lock()

    @property
    def name(self) -> str:
        """The device's name."""
        return self._device.name

    async def info(self) -> CameraInfo:
        """Return what the camera says of itself.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the camera is missing or does not connect.
        """
        await self._ensure_ready()
        exposure = self._device.read(self.chip.exposure)
        shortest_s, longest_s = (None, None) if exposure is None else self._limits_s(exposure)
        across, down = self._binning()
        width, height = self._chip("CCD_MAX_X"), self._chip("CCD_MAX_Y")
        bits = self._chip("CCD_BITSPERPIXEL")
        mosaic = self._device.read("CCD_CFA")
        return CameraInfo(
            name=self.name,
            width_px=None if width is None else round(width / across),
            height_px=None if height is None else round(height / down),
            pixel_size_um=self._pixel_size_um(),
            focal_length_mm=self._focal_length_mm(),
            bits=None if bits is None else round(bits),
            bayer_pattern=None if mosaic is None else mosaic.texts.get("CFA_TYPE") or None,
            longest_exposure_s=longest_s or None,
            shortest_exposure_s=shortest_s,
            binning=round(across),
        )

    async def expose(self, exposure_s: float) -> Frame:
        """Take one frame.

        Parameters
        ----------
        exposure_s : float
            Exposure time (s).

        Returns
        -------
        Frame
            With the mid-exposure instant that its header tells, or this side's own timing.

        Raises
        ------
        LinkError
            When the connection is lost.
        DeviceError
            Where the camera refuses, fails, delivers nothing in time (the exposure is then
            aborted), or delivers something that is no picture.
        MeasurementError
            The picture is too large, or the dark frame of the settings is of another size.
        """
        async with self._one_at_a_time:
            await self._ensure_ready()
            self._check_range(exposure_s)
            with self.connection.subscribe(self.name) as events:
                since = self.connection.send_numbers(
                    self.name, self.chip.exposure, {self.chip.exposure_value: exposure_s}
                )
                started, by_own_clock = self._now(), self._uncorrected()
                try:
                    blob = await self._delivered(events, exposure_s, since)
                except LinkError as loss:
                    raise self._explained(loss) from None
                except BaseException:
                    self._owes_a_frame = True
                    await self._abort()
                    raise
                self._owes_a_frame = False
            frame = await asyncio.to_thread(self._decoded, blob)
        _LOG.debug("%s: a frame of %g s has come", self.name, exposure_s)
        frame = self._set_right(frame, exposure_s, started, by_own_clock)
        return self._completed(frame, exposure_s, started)

    # -- inside -------------------------------------------------------------------------------

    async def _ensure_ready(self) -> None:
        """Connect the camera and set it so that frames come here."""
        fresh = not self._device.has(self.chip.exposure)
        await self._device.ensure_ready()
        self.connection.enable_blobs(self.name)
        if fresh:
            await self._know_chip()
        await self._setup.ensure()

    async def _know_chip(self) -> None:
        """Wait a moment for the chip's size, which follows the connection."""
        try:
            await self.connection.wait_for(
                self.name,
                self.chip.info,
                lambda p: p.numbers.get("CCD_MAX_X", 0.0) > 0.0,
                CHIP_INFO_S,
                task="tell the size of its chip",
            )
        except DeviceError as error:
            _LOG.debug("going on without it: %s", error)

    def _check_range(self, exposure_s: float) -> None:
        """Refuse an exposure outside the driver's limits, and a camera that is at work."""
        current = self._device.read(self.chip.exposure)
        if current is None:
            raise gone(self.name, "expose")
        shortest_s, longest_s = self._limits_s(current)
        if not exposure_s > 0.0 or not (
            shortest_s <= exposure_s <= (longest_s if longest_s > shortest_s else exposure_s)
        ):
            raise DeviceError(
                f"{self.name} takes exposures of {shortest_s:g} to {longest_s:g} s, not"
                f" {exposure_s:g} s",
                remedy="Choose an exposure time in this range",
                code="exposure_out_of_range",
            )

    async def _delivered(self, events: EventStream, exposure_s: float, since: int) -> BlobSnapshot:
        """Wait for the frame and for the end of the exposure, whichever comes first."""
        blob: BlobSnapshot | None = None
        loop = asyncio.get_running_loop()
        margin_s = self._margin_s()
        begun_s = loop.time()
        deadline_s = begun_s + exposure_s + margin_s
        done = False
        try:
            async with timeout_put_off(deadline_s, lambda: self.connection.frame_bytes) as bound:
                async for event in events:
                    if is_withdrawal(event, self.chip.exposure):
                        raise gone(self.name, "finish the exposure")
                    if isinstance(event, BlobSnapshot):
                        if event.serial <= since or event.name == self._other_picture:
                            continue
                        so_far_s = loop.time() - begun_s
                        earliest_s = _SHORTEST_PART * exposure_s - OWN_TIMING_SIGMA_S
                        if self._owes_a_frame and so_far_s < earliest_s:
                            self._owes_a_frame = False
                            _LOG.warning(
                                "%s: a frame of an earlier exposure is left out", self.name
                            )
                            continue
                        blob = event
                        self._promptness.came(loop.time() - begun_s - exposure_s)
                        bound.reschedule(min(deadline_s, loop.time() + DONE_AFTER_FRAME_S))
                    elif isinstance(event, PropertySnapshot) and event.name == self.chip.exposure:
                        if event.failed:
                            raise self._device.refused("take the exposure", since=since)
                        done = event.state in (PropertyState.OK, PropertyState.IDLE)
                    if blob is not None and done:
                        break
        except TimeoutError:
            if blob is None:
                raise DeviceError(
                    f"{self.name} delivered no frame within {margin_s:.0f} s after"
                    f" the end of a {exposure_s:g} s exposure",
                    remedy="Check the camera's cable and power, and that no other program uses it",
                    code="no_frame",
                ) from None
            _LOG.warning("%s delivered a frame but still reports to be exposing", self.name)
        if blob is None:
            raise gone(self.name, "deliver a frame")
        return blob

    def _explained(self, loss: LinkError) -> LinkError:
        """Return a loss with what may be behind it: servers drop clients over large frames."""
        pixels = (self._chip("CCD_MAX_X") or 0.0) * (self._chip("CCD_MAX_Y") or 0.0)
        if pixels * _WIRE_BYTES_PER_PIXEL < _SERVER_DROPS_BYTES:
            return loss
        return LinkError(
            f"{loss.text}, while a frame of {pixels / 1e6:.0f} megapixels was to come",
            remedy="Start the server with room for such frames: indiserver -m 1000; or bin the "
            "camera 2 x 2 ([camera] binning)",
            code=loss.code,
        )

    async def _abort(self) -> None:
        """Abort the exposure (bounded), even while this task is being cancelled."""
        try:
            self.connection.send_switch(self.name, self.chip.abort, {"ABORT": True})
            await asyncio.shield(
                self.connection.wait_for(
                    self.name, self.chip.exposure, lambda p: not p.busy, ABORT_S, task="abort"
                )
            )
        except (LinkError, DeviceError) as error:
            _LOG.warning("the exposure could not be aborted: %s", error)

    def _decoded(self, blob: BlobSnapshot) -> Frame:
        """Turn bytes into a frame (in a worker thread)."""
        if not blob.data:
            raise DeviceError(
                f"{self.name} delivered an empty frame: its driver has probably restarted",
                remedy="Try again; restart the camera if it happens twice",
                code="empty_frame",
            )
        if blob.truncated:
            raise DeviceError(
                f"{self.name} delivered a frame cut short: {len(blob.data)} of"
                f" {blob.declared_size} bytes",
                remedy="Try again; check the network if it happens twice",
                code="frame_cut_short",
            )
        try:
            # Compressed frames may carry stray bytes behind the end of the stream.
            data = blob.data
            if blob.zlib_packed:
                data = zlib.decompressobj().decompress(data, _MOST_UNPACKED_BYTES)
            frame = self._decode(data, self.name)
            return frame if self._mend is None else self._mend(frame)
        except (MeasurementError, zlib.error) as error:
            if isinstance(error, MeasurementError) and error.code != "not_a_picture":
                raise
            raise DeviceError(
                f"{self.name} delivered {len(blob.data)} bytes of format"
                f" {blob.format or 'unnamed'} that are not a picture this program can read",
                remedy="Set the camera's transfer format to FITS",
                code="not_a_picture",
            ) from error

    def _set_right(
        self, frame: Frame, exposure_s: float, started: datetime, by_own_clock: datetime
    ) -> Frame:
        """Correct an instant that was written by this computer's own clock, where that is wrong."""
        if frame.mid_exposure is None:
            return frame
        correction = started - by_own_clock
        own_middle = by_own_clock + timedelta(seconds=exposure_s / 2.0)
        same = timedelta(seconds=_BY_THE_SAME_CLOCK_S)
        if abs(correction) <= 2.0 * same or abs(frame.mid_exposure - own_middle) > same:
            return frame
        return replace(frame, mid_exposure=frame.mid_exposure + correction)

    def _completed(self, frame: Frame, exposure_s: float, started: datetime) -> Frame:
        """Fill in what the picture itself does not tell."""
        if frame.mid_exposure is None:
            frame = replace(
                frame,
                mid_exposure=started + timedelta(seconds=exposure_s / 2.0),
                mid_exposure_sigma_s=OWN_TIMING_SIGMA_S,
            )
        if frame.exposure_s is None:
            frame = replace(frame, exposure_s=exposure_s)
        if frame.pixel_size_um is None:
            frame = replace(frame, pixel_size_um=self._pixel_size_um())
        if frame.focal_length_mm is None:
            frame = replace(frame, focal_length_mm=self._focal_length_mm())
        return frame

    def _margin_s(self) -> float:
        """Return how long after its end the frame of an exposure may take to arrive (s)."""
        pixels = (self._chip("CCD_MAX_X") or 0.0) * (self._chip("CCD_MAX_Y") or 0.0)
        unknown_s = self._delivery_margin_s + 2.0 * pixels / SLOWEST_LINK_BYTES_S
        return self._promptness.bound_s(unknown_s)

    def _limits_s(self, exposure: PropertySnapshot) -> tuple[float, float]:
        """Return the shortest and the longest exposure (s); zeros where the driver tells none."""
        shortest_s, longest_s = exposure.limits.get(self.chip.exposure_value, (0.0, 0.0))
        if not (math.isfinite(shortest_s) and math.isfinite(longest_s)):
            return 0.0, 0.0
        return shortest_s, longest_s

    @property
    def _other_picture(self) -> str:
        """The other chip's frames come through the same device."""
        return "CCD1" if self.chip.picture == "CCD2" else "CCD2"

    def _chip(self, element: str) -> float | None:
        """Return a number of the chip's description, None where unknown (drivers write 0)."""
        value = self._device.number(self.chip.info, element)
        return value if value is not None and 0.0 < value < _NO_CHIP else None

    def _binning(self) -> tuple[float, float]:
        """Return how many pixels are added up along rows and along columns."""
        told = (self._device.number(self.chip.binning, name) for name in ("HOR_BIN", "VER_BIN"))
        across, down = (1.0 if value is None or value < 1.0 else value for value in told)
        return across, down

    def _pixel_size_um(self) -> float | None:
        """Return the size of a delivered pixel, binning included (um)."""
        size_um = self._chip("CCD_PIXEL_SIZE_X") or self._chip("CCD_PIXEL_SIZE")
        if size_um is None:
            return None
        return size_um * self._binning()[0]

    def _focal_length_mm(self) -> float | None:
        """Return the focal length that the camera, else its mount, was told (mm)."""
        own_mm = self._device.number("SCOPE_INFO", "FOCAL_LENGTH")
        guide = self.chip.picture == "CCD2"
        # SCOPE_INFO is the main chip's; a guide head may look through another telescope.
        if own_mm and not guide:
            return own_mm
        active = self._device.read("ACTIVE_DEVICES")
        mount = "" if active is None else active.texts.get("ACTIVE_TELESCOPE", "")
        told = self.connection.read(mount, "TELESCOPE_INFO")
        element = "GUIDER_FOCAL_LENGTH" if guide else "TELESCOPE_FOCAL_LENGTH"
        return None if told is None else told.numbers.get(element) or None
