"""Decoding: the bytes of a picture file become a frame, or an honest refusal."""

import contextlib
import io
import logging
import math
import re
import warnings
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from typing import Any, NoReturn

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from PIL import ExifTags, Image

from polewright.core.errors import MeasurementError
from polewright.core.imaging.frame import Frame, Pixels
from polewright.core.imaging.site_cards import places_told

LOG = logging.getLogger(__name__)

MAX_PIXELS = 200_000_000
"""Largest picture that is read (px); larger is a mistake or an attack on the memory."""

_MAX_UNPACKED_BYTES = 8 * MAX_PIXELS
_MIN_SIDE_PX = 16
_FITS_BEGINS = b"SIMPLE"
_CARD_BYTES = 80
_COUNTS = (b"NAXIS", b"ZNAXIS", b"TFIELDS")
_MOST_DIGITS = 3  # 999
_PILLOW_FORMATS = ("TIFF", "PNG", "JPEG")
_WHOLE_SECOND_SIGMA_S = 0.3  # uniform over one second: 1/sqrt(12)
_FINE_TIME_SIGMA_S = 0.1
_REMEDY = "Give a FITS, TIFF, PNG or JPEG file, and check that it was copied completely."


def decode_picture(data: bytes, *, name: str = "") -> Frame:
    """Return the frame that a file's bytes hold.

    FITS (plain, gzipped or tile-compressed; a colour cube is averaged), TIFF, PNG and JPEG.
    Pillow reads colour at 8 bits a channel, so 16-bit colour TIFF and PNG lose depth.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str, optional
        How to call the picture in messages, and the camera where the file does not say.

    Raises
    ------
    MeasurementError
        ``not_a_picture``: empty, truncated, of another kind, or too small to hold stars;
        ``picture_too_large``: over 200 million pixels.
    """
    if not data:
        _refuse(name, "is empty")
    if data[:2] == b"\x1f\x8b":
        data = _unpacked(data, name)
    if data[:6] == _FITS_BEGINS:
        return _from_fits(data, name)
    return _from_pillow(data, name)


def _refuse(name: str, why: str, cause: BaseException | None = None) -> NoReturn:
    raise MeasurementError(
        f"{name or 'the data'} {why}, so there is no picture to measure",
        remedy=_REMEDY,
        code="not_a_picture",
    ) from cause


def _refuse_size(name: str) -> NoReturn:
    raise MeasurementError(
        f"{name or 'the picture'} has more than {MAX_PIXELS // 1_000_000} million pixels",
        remedy="Bin the camera 2 x 2 or more, or give a smaller picture.",
        code="picture_too_large",
    )


def _unpacked(data: bytes, name: str) -> bytes:
    unpacker = zlib.decompressobj(wbits=31)
    try:
        # Few bytes may unpack to very many: what they begin with is looked at first.
        plain = unpacker.decompress(data, len(_FITS_BEGINS))
        if plain and not _FITS_BEGINS.startswith(plain):
            _refuse(name, "holds no FITS (gzip)")
        plain += unpacker.decompress(unpacker.unconsumed_tail, _MAX_UNPACKED_BYTES)
    except zlib.error as error:
        _refuse(name, "is damaged (gzip)", error)
    except MemoryError:
        _refuse_size(name)
    if unpacker.unconsumed_tail:
        _refuse_size(name)
    if not unpacker.eof:
        _refuse(name, "is cut short (gzip)")
    return plain


# --- FITS -----------------------------------------------------------------------------------


def _from_fits(data: bytes, name: str) -> Frame:
    _refuse_wild_headers(data, name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            pixels, header = _fits_image(data, name)
    except MeasurementError:
        raise
    except Exception as error:  # astropy raises many kinds on damaged files
        LOG.debug("FITS reading failed", exc_info=True)
        _refuse(name, "is damaged or cut short (FITS)", error)
    if pixels.ndim == 3:
        pixels = pixels.mean(axis=0, dtype=np.float32)
    taken = _fits_instant(header)
    binning = _number(header, "XBINNING") or 1.0
    unbinned_um = _number(header, "PIXSIZE1")
    pixel_size_um = unbinned_um * binning if unbinned_um else _number(header, "XPIXSZ")
    return _frame(
        pixels,
        name,
        taken=taken,
        exposure_s=_exposure_s(header),
        bayer_pattern=_bayer_pattern(header) if binning == 1.0 else None,
        saturation=_number(header, "SATURATE"),
        electrons_per_adu=_number(header, "EGAIN"),
        pixel_size_um=pixel_size_um,
        focal_length_mm=_number(header, "FOCALLEN"),
        camera=str(header.get("INSTRUME", "")).strip() or name,
        places=places_told(header, name=name),
    )


def _refuse_wild_headers(data: bytes, name: str) -> None:
    """Refuse headers that count more axes or columns than FITS 4.0 allows (4.4.1, 7.3.1).

    The library makes lists as long as they say before anything else: minutes, and all memory.
    """
    cards = np.frombuffer(data, np.uint8, len(data) // _CARD_BYTES * _CARD_BYTES)
    # Upper case, and blanks as zeros: the library reads lower case as well.
    keys = cards.reshape(-1, _CARD_BYTES)[:, :8] & 0xDF
    for key in _COUNTS:
        wanted = np.frombuffer(key.ljust(8, b"\0"), np.uint8)
        likely = np.flatnonzero(keys[:, 0] == wanted[0])
        for card in likely[(keys[likely] == wanted).all(axis=1)]:
            start = int(card) * _CARD_BYTES
            value = data[start + 9 : start + _CARD_BYTES].partition(b"/")[0].strip().lstrip(b"+")
            if value.isdigit() and len(value.lstrip(b"0")) > _MOST_DIGITS:
                _refuse(name, f"has a header that nobody can mean ({key.decode()})")


def _fits_image(data: bytes, name: str) -> tuple[NDArray[Any], Mapping[str, Any]]:
    with fits.open(io.BytesIO(data), memmap=False, lazy_load_hdus=True) as units:
        for unit in units:
            shape: tuple[int, ...] = tuple(getattr(unit, "shape", ()))
            if not isinstance(unit, fits.PrimaryHDU | fits.ImageHDU | fits.CompImageHDU):
                continue
            if len(shape) == 2 or (len(shape) == 3 and shape[0] in (1, 3)):
                # Not numpy's product: that of two huge sides may come out small.
                if math.prod(shape[-2:]) > MAX_PIXELS:
                    _refuse_size(name)
                return np.array(unit.data), dict(unit.header)
    _refuse(name, "holds no image of two axes (FITS)")


def _number(header: Mapping[str, Any], key: str) -> float | None:
    """Return a positive finite number from a header, else None."""
    try:
        value = float(header[key])
    except (KeyError, TypeError, ValueError, ArithmeticError):
        return None
    return value if np.isfinite(value) and value > 0.0 else None


def _exposure_s(header: Mapping[str, Any]) -> float | None:
    return _number(header, "EXPTIME") or _number(header, "EXPOSURE")


def _bayer_pattern(header: Mapping[str, Any]) -> str | None:
    """Return the mosaic with pixel (0, 0) first; XBAYROFF and YBAYROFF shift it."""
    pattern = str(header.get("BAYERPAT", "")).strip().upper()
    if sorted(pattern) != ["B", "G", "G", "R"]:
        return None
    tile = np.array(list(pattern)).reshape(2, 2)
    for axis, key in ((1, "XBAYROFF"), (0, "YBAYROFF")):
        with contextlib.suppress(TypeError, ValueError, OverflowError):
            tile = np.roll(tile, -(int(header.get(key, 0)) % 2), axis=axis)
    return "".join(tile.ravel())


@dataclass(frozen=True, slots=True)
class _Taken:
    mid_exposure: datetime
    sigma_s: float


def _fits_instant(header: Mapping[str, Any]) -> _Taken | None:
    """Return mid-exposure: DATE-AVG, else DATE-BEG or DATE-OBS plus half the exposure.

    FITS 4.0 (Pence et al. 2010; Rots et al. 2015) leaves DATE-OBS free; in practice it is the
    start.  Only UTC is understood: another TIMESYS would be some minute off.
    """
    if str(header.get("TIMESYS", "UTC")).strip().upper() not in ("UTC", "UT", ""):
        return None
    middle = _fits_time(header.get("DATE-AVG"))
    if middle is not None:
        return middle
    start = _fits_time(header.get("DATE-BEG")) or _fits_time(header.get("DATE-OBS"))
    exposure_s = _exposure_s(header)
    if start is None:
        return None
    if exposure_s is None:
        return _Taken(start.mid_exposure, max(start.sigma_s, 1.0))
    late = _later(start.mid_exposure, 0.5 * exposure_s)
    return None if late is None else _Taken(late, start.sigma_s)


def _later(instant: datetime, seconds: float) -> datetime | None:
    """Return an instant so much later, in UTC; None beyond what calendars hold."""
    try:
        return instant.astimezone(UTC) + timedelta(seconds=seconds)
    except OverflowError:
        return None


_ISO_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z?")


def _fits_time(text: object) -> _Taken | None:
    if not isinstance(text, str) or not _ISO_TIME.fullmatch(text.strip()):
        return None
    whole, _, fraction = text.strip().rstrip("Z").partition(".")
    try:
        instant = datetime.fromisoformat(whole).replace(tzinfo=UTC)
    except ValueError:
        return None
    if not fraction:
        return _Taken(instant, _WHOLE_SECOND_SIGMA_S)
    fine = _later(instant, float(f"0.{fraction}"))
    return None if fine is None else _Taken(fine, _FINE_TIME_SIGMA_S)


# --- TIFF, PNG, JPEG ------------------------------------------------------------------------


def _from_pillow(data: bytes, name: str) -> Frame:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=_PILLOW_FORMATS) as picture:
                if picture.width * picture.height > MAX_PIXELS:
                    _refuse_size(name)
                exif = picture.getexif().get_ifd(ExifTags.IFD.Exif)
                pixels = _luminance(picture)
    except Image.DecompressionBombError:
        _refuse_size(name)
    except MeasurementError:
        raise
    except Exception as error:  # pillow raises many kinds on damaged files
        LOG.debug("picture reading failed", exc_info=True)
        _refuse(name, "is not a complete picture of a known kind", error)
    exposure_s = _number(exif, ExifTags.Base.ExposureTime)  # type: ignore[arg-type]
    return _frame(
        pixels,
        name,
        taken=_exif_instant(exif, exposure_s),
        exposure_s=exposure_s,
        focal_length_mm=_number(exif, ExifTags.Base.FocalLength),  # type: ignore[arg-type]
        camera=name,
    )


def _luminance(picture: Image.Image) -> NDArray[Any]:
    if picture.mode in ("L", "F", "I") or picture.mode.startswith("I;16"):
        return np.array(picture)
    if picture.mode in ("1", "LA"):
        return np.array(picture.convert("L"))
    colours = np.asarray(picture.convert("RGB"), dtype=np.float32)
    # ITU-R BT.601 luma weights.
    return np.asarray(colours @ np.array([0.299, 0.587, 0.114], dtype=np.float32))


def _exif_instant(exif: Mapping[int, Any], exposure_s: float | None) -> _Taken | None:
    """Return mid-exposure where the zone is told: a camera's bare local time says too little."""
    local, zone = exif.get(ExifTags.Base.DateTimeOriginal), exif.get(0x9011)
    if not isinstance(local, str) or not isinstance(zone, str):
        return None
    sign = re.fullmatch(r"([+-])(\d\d):(\d\d)", zone.strip())
    if not sign:
        return None
    offset = timedelta(hours=int(sign[2]), minutes=int(sign[3]))
    try:
        instant = datetime.strptime(local.strip(), "%Y:%m:%d %H:%M:%S").replace(
            tzinfo=timezone(offset if sign[1] == "+" else -offset)
        )
    except ValueError:
        return None
    middle = _later(instant, 0.5 * (exposure_s or 0.0))
    return None if middle is None else _Taken(middle, 1.0)


# --- both -----------------------------------------------------------------------------------


def _frame(
    pixels: NDArray[Any],
    name: str,
    *,
    taken: _Taken | None,
    saturation: float | None = None,
    **told: Any,
) -> Frame:
    if pixels.ndim != 2 or min(pixels.shape) < _MIN_SIDE_PX:
        _refuse(name, f"is smaller than {_MIN_SIDE_PX} pixels a side")
    if saturation is None and pixels.dtype.kind == "u":
        saturation = float(np.iinfo(pixels.dtype).max)
    return Frame(
        pixels=_plain(pixels),
        mid_exposure=taken.mid_exposure if taken else None,
        mid_exposure_sigma_s=taken.sigma_s if taken else 0.5,
        saturation=saturation,
        **told,
    )


def _plain(pixels: NDArray[Any]) -> Pixels:
    """Return native-endian unsigned or floating pixels without holes."""
    pixels = np.ascontiguousarray(pixels.astype(pixels.dtype.newbyteorder("="), copy=False))
    if pixels.dtype.kind == "u" and pixels.dtype.itemsize <= 4:
        return pixels
    values: NDArray[np.floating[Any]] = pixels.astype(
        np.float32 if pixels.dtype.itemsize <= 2 else np.float64
    )
    holes = ~np.isfinite(values)
    if holes.any():
        values[holes] = np.median(values[~holes]) if not holes.all() else 0.0
    return values
