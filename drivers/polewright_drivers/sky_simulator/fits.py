"""FITS: one picture with its header as bytes (FITS standard 4.0)."""

import io

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

_BLOCK = 2880
_CARD = 80

Value = bool | int | float | str


def _card(key: str, value: Value, comment: str) -> bytes:
    """Return one fixed-format header card."""
    match value:
        case bool():
            text = f"{'T' if value else 'F':>20}"
        case int():
            text = f"{value:>20d}"
        case float():
            digits = f"{value:.12G}"
            text = f"{digits if '.' in digits or 'E' in digits else digits + '.0':>20}"
        case str():
            quoted = value.replace("'", "''")
            text = f"'{quoted:<8}'"
            text = f"{text:<20}"
    card = f"{key:<8}= {text} / {comment}"
    return card[:_CARD].ljust(_CARD).encode("ascii")


def encode(
    pixels: NDArray[np.uint8] | NDArray[np.uint16], cards: dict[str, tuple[Value, str]]
) -> bytes:
    """Return a FITS file.

    Parameters
    ----------
    pixels : ndarray of shape (height, width), uint8 or uint16
        First row first.
    cards : dict
        Key to value and comment, after the mandatory ones.
    """
    height, width = pixels.shape
    head: dict[str, tuple[Value, str]] = {
        "SIMPLE": (True, "file conforms to FITS standard"),
        "BITPIX": (8 if pixels.dtype == np.uint8 else 16, "bits per pixel"),
        "NAXIS": (2, "number of axes"),
        "NAXIS1": (width, "columns"),
        "NAXIS2": (height, "rows"),
    }
    if pixels.dtype == np.uint8:
        body = pixels.tobytes()
    else:
        head["BZERO"] = (32768, "unsigned 16-bit values")
        head["BSCALE"] = (1, "unsigned 16-bit values")
        body = (pixels ^ np.uint16(0x8000)).astype(">u2").tobytes()
    text = b"".join(_card(key, *rest) for key, rest in {**head, **cards}.items())
    text += b"END".ljust(_CARD)
    text += b" " * (-len(text) % _BLOCK)
    return text + body + bytes(-len(body) % _BLOCK)


def tiled(plain: bytes) -> bytes:
    """Return a FITS file of one picture packed in tiles (Rice; FITS standard 4.0, section 10)."""
    packed = io.BytesIO()
    with fits.open(io.BytesIO(plain)) as units:
        header = units[0].header
        picture = fits.CompImageHDU(units[0].data, header, compression_type="RICE_1")
        fits.HDUList([fits.PrimaryHDU(), picture]).writeto(packed)
    return packed.getvalue()
