"""Pictures: whole files of every kind, and FITS headers that say odd things of a good picture."""

import gzip
import io
import warnings
from collections.abc import Callable

import numpy as np
from astropy.io import fits

from polewright.core.imaging.decode import decode_picture
from tests.fuzz.dice import Dice

_KEYS = (
    "DATE-OBS",
    "DATE-AVG",
    "DATE-BEG",
    "TIMESYS",
    "EXPTIME",
    "EXPOSURE",
    "XBINNING",
    "PIXSIZE1",
    "XPIXSZ",
    "BAYERPAT",
    "XBAYROFF",
    "YBAYROFF",
    "SATURATE",
    "EGAIN",
    "FOCALLEN",
    "INSTRUME",
    "BZERO",
    "BSCALE",
    "BLANK",
    "NAXIS",
    "NAXIS1",
    "NAXIS2",
    "NAXIS3",
    "BITPIX",
    "GROUPS",
    "PCOUNT",
    "GCOUNT",
    "EXTEND",
    "XTENSION",
    "ZIMAGE",
    "ZBITPIX",
    "ZNAXIS",
    "ZNAXIS1",
    "ZNAXIS2",
    "ZTILE1",
    "ZCMPTYPE",
    "ZQUANTIZ",
    "TFIELDS",
    "TFORM1",
    "TTYPE1",
    "SITELAT",
    "SITELONG",
    "CONTINUE",
)
_VALUES = (
    "'2026-11-25T20:00:00'",
    "'9999-12-31T23:59:59.9'",
    "'0001-01-01T00:00:00'",
    "'25/11/99'",
    "'2026-11-25T20:00:00.123456789'",
    "'TAI'",
    "'RGGB'",
    "'GB RG'",
    "''",
    "'",
    "T",
    "F",
    "0",
    "1",
    "-1",
    "2",
    "3",
    "16",
    "-32",
    "-64",
    "1E20",
    "1E308",
    "1E400",
    "-1E400",
    "4294967296",
    "99999999",
    "0.001",
    "NaN",
    "(1.0, 2.0)",
    "'RICE_1'",
    "'GZIP_2'",
    "'HCOMPRESS_1'",
    "'1PB(9999999)'",
    "999",
)


def _card(text: str) -> bytes:
    return text.encode("latin-1", "replace")[:80].ljust(80)


def _with_cards(dice: Dice) -> bytes:
    """Return a good FITS file, some of whose cards were replaced or added."""
    cards = {
        "SIMPLE": "T",
        "BITPIX": "16",
        "NAXIS": "2",
        "NAXIS1": "16",
        "NAXIS2": "16",
        "DATE-OBS": "'2026-11-25T20:00:00'",
        "EXPTIME": "2.0",
        "INSTRUME": "'Hoopoe'",
    }
    for _ in range(dice.below(6)):
        value = dice.pick(_VALUES) if dice.below(4) else f"'{dice.text()}'"
        cards[dice.pick(_KEYS)] = value
    header = b"".join(_card(f"{name:8}= {value:>20}") for name, value in cards.items())
    header += _card("END")
    header += b" " * (-len(header) % 2880)
    pixels = dice.take(dice.below(64)).ljust(512, b"\x10")
    return header + pixels.ljust(2880, b"\0")


def picture() -> Callable[[bytes], None]:
    """A picture file, plain or packed."""

    def run(data: bytes) -> None:
        decode_picture(data, name="hoopoe.fits")

    return run


def fits_header() -> Callable[[bytes], None]:
    """A whole picture whose header was written by somebody else."""

    def run(data: bytes) -> None:
        dice = Dice(data)
        packed = dice.one_in(8)
        file = _with_cards(dice)
        decode_picture(gzip.compress(file, 1) if packed else file, name="")

    return run


def seed_pictures() -> dict[str, bytes]:
    """Return small files of every kind."""
    from PIL import Image

    rng = np.random.default_rng(11)
    pixels = rng.normal(1000, 30, (16, 20)).astype(np.uint16)
    found = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for name, unit in (
            ("plain", fits.PrimaryHDU(pixels)),
            ("float", fits.PrimaryHDU(pixels.astype(np.float32))),
            ("cube", fits.PrimaryHDU(np.stack([pixels] * 3))),
            ("tiles", fits.CompImageHDU(pixels, compression_type="RICE_1")),
            ("gzip-tiles", fits.CompImageHDU(pixels, compression_type="GZIP_2")),
        ):
            file = io.BytesIO()
            unit.writeto(file)
            found[f"{name}.fits"] = file.getvalue()
    found["plain.fits.gz"] = gzip.compress(found["plain.fits"], mtime=0)
    grey = Image.fromarray((pixels >> 3).astype(np.uint8))
    for kind in ("PNG", "TIFF", "JPEG"):
        file = io.BytesIO()
        exif = Image.Exif()
        exif.get_ifd(0x8769).update({0x9003: "2026:11:25 20:00:00", 0x9011: "+02:00"})
        grey.save(file, kind, **({"exif": exif} if kind != "PNG" else {}))
        found[f"grey.{kind.lower()}"] = file.getvalue()
    return found
