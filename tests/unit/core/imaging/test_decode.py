"""Picture files become frames or an honest refusal."""

import gzip
import io
from datetime import UTC, datetime

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from polewright.core.errors import MeasurementError
from polewright.core.imaging import decode
from polewright.core.imaging.decode import decode_picture

RAMP = np.arange(40 * 60).reshape(40, 60)


def fits_bytes(pixels, *, compressed=False, **header):
    unit = fits.CompImageHDU(pixels) if compressed else fits.PrimaryHDU(pixels)
    for key, value in header.items():
        unit.header[key.replace("_", "-")] = value
    units = fits.HDUList([fits.PrimaryHDU(), unit] if compressed else [unit])
    buffer = io.BytesIO()
    units.writeto(buffer)
    return buffer.getvalue()


def pillow_bytes(picture, kind, **options):
    buffer = io.BytesIO()
    picture.save(buffer, format=kind, **options)
    return buffer.getvalue()


@pytest.mark.parametrize(
    "dtype", [np.uint8, np.uint16, np.int16, np.int32, np.uint32, np.float32, np.float64]
)
def test_every_fits_pixel_type_gives_its_own_values(dtype):
    frame = decode_picture(fits_bytes(RAMP.astype(dtype)))
    np.testing.assert_array_equal(frame.pixels, RAMP.astype(dtype))
    assert frame.pixels.dtype.kind in "uf"
    assert frame.pixels.dtype.isnative


def test_sixteen_bit_fits_with_bzero_reaches_its_full_range():
    """BZERO 32768 is FITS's way of storing unsigned 16 bits (FITS 4.0, 4.4.2.5)."""
    pixels = RAMP.astype(np.uint16) + 60_000
    data = fits_bytes(pixels)
    assert b"BZERO" in data[:2880]
    frame = decode_picture(data)
    assert frame.pixels.dtype == np.uint16
    np.testing.assert_array_equal(frame.pixels, pixels)
    assert frame.saturation == 65535.0


@pytest.mark.parametrize("wrap", [gzip.compress, lambda data: data])
def test_gzipped_and_plain_fits_are_the_same_picture(wrap):
    frame = decode_picture(wrap(fits_bytes(RAMP.astype(np.uint16))), name="m.fits.gz")
    np.testing.assert_array_equal(frame.pixels, RAMP)


def test_tile_compressed_fits_is_unpacked():
    data = fits_bytes(RAMP.astype(np.uint16), compressed=True, DATE_OBS="2026-11-25T20:00:00.5")
    frame = decode_picture(data, name="m.fits.fz")
    np.testing.assert_array_equal(frame.pixels, RAMP)
    assert frame.mid_exposure == datetime(2026, 11, 25, 20, 0, 0, 500_000, tzinfo=UTC)


def test_a_colour_cube_is_averaged():
    cube = np.stack([RAMP, RAMP + 30, RAMP + 60]).astype(np.uint16)
    np.testing.assert_array_equal(decode_picture(fits_bytes(cube)).pixels, RAMP + 30)


def test_mid_exposure_is_half_an_exposure_after_date_obs():
    data = fits_bytes(RAMP.astype(np.uint16), DATE_OBS="2026-11-25T23:59:59.250", EXPTIME=3.0)
    frame = decode_picture(data)
    assert frame.mid_exposure == datetime(2026, 11, 26, 0, 0, 0, 750_000, tzinfo=UTC)
    assert frame.exposure_s == 3.0
    assert frame.mid_exposure_sigma_s < 0.2


def test_date_avg_is_preferred_where_present():
    data = fits_bytes(
        RAMP.astype(np.uint16),
        DATE_OBS="2026-11-25T20:00:00",
        DATE_AVG="2026-11-25T20:00:07.500",
        EXPTIME=4.0,
    )
    frame = decode_picture(data)
    assert frame.mid_exposure == datetime(2026, 11, 25, 20, 0, 7, 500_000, tzinfo=UTC)


def test_whole_seconds_are_less_certain_than_fractions():
    coarse, fine = (
        decode_picture(
            fits_bytes(RAMP.astype(np.uint8), DATE_OBS=f"2026-11-25T20:00:00{part}", EXPTIME=1.0)
        )
        for part in ("", ".001")
    )
    assert coarse.mid_exposure_sigma_s > fine.mid_exposure_sigma_s


@pytest.mark.parametrize(
    "header",
    [
        {"DATE_OBS": "2026-11-25"},
        {"DATE_OBS": "25/11/26"},
        {"DATE_OBS": "2026-13-45T20:00:00"},
        {"DATE_OBS": "2026-11-25T20:00:00", "TIMESYS": "TAI"},
        {},
    ],
)
def test_a_time_that_is_not_a_utc_instant_is_not_invented(header):
    assert decode_picture(fits_bytes(RAMP.astype(np.uint8), **header)).mid_exposure is None


def test_optics_and_binning_are_read():
    """PIXSIZE1 is unbinned and XPIXSZ binned, as INDI's CCD drivers write them."""
    frame = decode_picture(
        fits_bytes(
            RAMP.astype(np.uint16),
            XPIXSZ=7.5,
            PIXSIZE1=3.75,
            XBINNING=2,
            FOCALLEN=120.0,
            EGAIN=1.25,
            INSTRUME="Hoopoe",
        )
    )
    assert frame.pixel_size_um == 7.5
    assert frame.focal_length_mm == 120.0
    assert frame.electrons_per_adu == 1.25
    assert frame.camera == "Hoopoe"


@pytest.mark.parametrize(
    ("header", "pattern"),
    [
        ({"BAYERPAT": "RGGB"}, "RGGB"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1}, "GRBG"),
        ({"BAYERPAT": "RGGB", "YBAYROFF": 1}, "GBRG"),
        ({"BAYERPAT": "RGGB", "XBAYROFF": 1, "YBAYROFF": 1}, "BGGR"),
        ({"BAYERPAT": "RGGB", "XBINNING": 2}, None),
        ({"BAYERPAT": "mono"}, None),
    ],
)
def test_the_mosaic_is_named_from_its_first_pixel(header, pattern):
    frame = decode_picture(fits_bytes(RAMP.astype(np.uint16), **header))
    assert frame.bayer_pattern == pattern


def test_holes_in_floating_pictures_are_filled():
    pixels = RAMP.astype(np.float32)
    pixels[3, 4], pixels[5, 6] = np.nan, np.inf
    frame = decode_picture(fits_bytes(pixels))
    assert np.isfinite(frame.pixels).all()
    assert frame.pixels[3, 5] == RAMP[3, 5]


@pytest.mark.parametrize("kind", ["TIFF", "PNG"])
def test_sixteen_bit_grey_pictures_keep_their_depth(kind):
    pixels = (RAMP * 27).astype(np.uint16)
    frame = decode_picture(pillow_bytes(Image.fromarray(pixels), kind))
    np.testing.assert_array_equal(frame.pixels, pixels)


@pytest.mark.parametrize("kind", ["TIFF", "PNG", "JPEG"])
def test_colour_pictures_become_luminance(kind):
    colours = np.zeros((40, 60, 3), dtype=np.uint8)
    colours[..., 0], colours[..., 1], colours[..., 2] = 200, 100, 50
    frame = decode_picture(pillow_bytes(Image.fromarray(colours), kind), name="sky.jpg")
    expected = 0.299 * 200 + 0.587 * 100 + 0.114 * 50  # ITU-R BT.601
    np.testing.assert_allclose(frame.pixels, expected, atol=2.0)  # JPEG is lossy
    assert frame.camera == "sky.jpg"


def test_a_photograph_with_a_zone_tells_its_instant_and_without_one_does_not():
    exif = Image.Exif()
    exif.get_ifd(0x8769).update(
        {0x9003: "2026:11:25 22:00:00", 0x829A: IFDRational(4, 1), 0x920A: IFDRational(24, 1)}
    )
    picture = Image.fromarray(RAMP.astype(np.uint8))
    local = decode_picture(pillow_bytes(picture, "JPEG", exif=exif))
    assert local.mid_exposure is None
    assert local.exposure_s == 4.0
    assert local.focal_length_mm == 24.0
    exif.get_ifd(0x8769)[0x9011] = "+02:00"
    zoned = decode_picture(pillow_bytes(picture, "JPEG", exif=exif))
    assert zoned.mid_exposure == datetime(2026, 11, 25, 20, 0, 2, tzinfo=UTC)


GOOD_FITS = fits_bytes(RAMP.astype(np.uint16))
GOOD_PNG = pillow_bytes(Image.fromarray((RAMP * 27).astype(np.uint16)), "PNG")
GOOD_JPEG = pillow_bytes(Image.fromarray(RAMP.astype(np.uint8)), "JPEG")


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"SIMPLE",
        b"<html>not found</html>",
        b"\x00" * 5000,
        b"\x1f\x8b\x08rubbish",
        gzip.compress(GOOD_FITS, mtime=0)[:-200],
        gzip.compress(b"not a picture", mtime=0),
        GOOD_FITS[:1000],
        GOOD_FITS[:2880],
        GOOD_FITS[:4000],
        GOOD_PNG[: len(GOOD_PNG) // 2],
        GOOD_JPEG[: len(GOOD_JPEG) // 2],
        GOOD_FITS.replace(b"NAXIS1  =                   60", b"NAXIS1  =                 -600"),
        fits_bytes(np.arange(500, dtype=np.uint16)),
        fits_bytes(np.zeros((8, 8), dtype=np.uint16)),
        pillow_bytes(Image.new("L", (8, 8)), "PNG"),
        pillow_bytes(Image.new("L", (64, 64)), "GIF"),
    ],
)
def test_what_is_no_picture_is_refused_with_a_remedy(data):
    with pytest.raises(MeasurementError) as refusal:
        decode_picture(data, name="first.fits")
    assert refusal.value.code == "not_a_picture"
    assert "first.fits" in refusal.value.text
    assert refusal.value.remedy
    assert "\n" not in str(refusal.value)


def test_a_fits_file_without_its_last_padding_is_still_a_picture():
    """Some writers leave out the padding to 2880 bytes; all pixels are there."""
    whole = 2880 + RAMP.size * 2
    np.testing.assert_array_equal(decode_picture(GOOD_FITS[:whole]).pixels, RAMP)


def test_huge_pictures_are_refused_before_they_are_read(monkeypatch):
    monkeypatch.setattr(decode, "MAX_PIXELS", 2000)
    for data in (GOOD_FITS, GOOD_PNG):
        with pytest.raises(MeasurementError) as refusal:
            decode_picture(data)
        assert refusal.value.code == "picture_too_large"


def test_any_damage_gives_a_frame_or_a_refusal_and_never_another_exception():
    rng = np.random.default_rng(3)
    for good in (GOOD_FITS, GOOD_PNG, GOOD_JPEG, gzip.compress(GOOD_FITS)):
        for _ in range(60):
            data = bytearray(good)
            for _ in range(rng.integers(1, 8)):
                data[rng.integers(len(data))] = rng.integers(256)
            try:
                frame = decode_picture(bytes(data[: rng.integers(1, len(data) + 1)]))
            except MeasurementError:
                continue
            assert frame.pixels.ndim == 2
