"""Hot pixels: found in a dark frame, taken out of others, stars left alone."""

import numpy as np
import pytest

from polewright.core.errors import UsageError
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.hot_pixels import HotPixels

SIZE = (120, 160)


def dark(rng: np.random.Generator, hot: np.ndarray) -> Frame:
    pixels = rng.normal(600.0, 8.0, SIZE)
    pixels[hot] += 4000.0
    return Frame(pixels=pixels.astype(np.uint16))


@pytest.fixture
def hot() -> np.ndarray:
    return np.random.default_rng(1).random(SIZE) < 0.002


def test_every_hot_pixel_of_a_dark_frame_is_found_and_hardly_any_other(hot):
    """6 sigma of Gaussian noise is passed once in 10^9 pixels; this frame has 2 x 10^4."""
    found = HotPixels.of_dark(dark(np.random.default_rng(2), hot))
    seen = np.zeros(SIZE, bool)
    seen[found.rows, found.columns] = True
    assert hot.sum() > 20
    assert np.array_equal(seen, hot)


def test_a_mended_frame_keeps_its_stars_and_loses_its_hot_pixels(hot):
    rng = np.random.default_rng(3)
    frame = dark(rng, hot)
    pixels = frame.pixels.copy()
    pixels[60, 80] = 9000
    mended = HotPixels.of_dark(dark(np.random.default_rng(2), hot)).mended(Frame(pixels=pixels))
    assert mended.pixels[60, 80] == 9000
    assert mended.pixels.dtype == np.uint16
    assert int(mended.pixels[hot].max()) < 700
    assert np.array_equal(mended.pixels[~hot], pixels[~hot])


def test_a_mosaic_is_mended_from_its_own_colour():
    """Green is three times as bright as red here: a red pixel must stay red."""
    pixels = np.full(SIZE, 300, np.uint16)
    pixels[0::2, 0::2] = 100
    spoilt = pixels.copy()
    spoilt[40, 40] = 5000
    only = HotPixels(
        rows=np.array([40]), columns=np.array([40]), height_px=SIZE[0], width_px=SIZE[1]
    )
    mended = only.mended(Frame(pixels=spoilt, bayer_pattern="RGGB"))
    assert np.array_equal(mended.pixels, pixels)


def test_a_dark_frame_of_another_size_is_refused_with_both_sizes(hot):
    found = HotPixels.of_dark(dark(np.random.default_rng(2), hot))
    with pytest.raises(UsageError, match="160 x 120 px, the camera delivers 80 x 60") as caught:
        found.mended(Frame(pixels=np.zeros((60, 80), np.uint16)))
    assert caught.value.code == "dark_size"


def test_a_frame_full_of_light_is_no_dark_frame():
    rng = np.random.default_rng(4)
    pixels = rng.normal(600.0, 8.0, SIZE)
    pixels[:, :20] += 2000.0
    with pytest.raises(UsageError) as caught:
        HotPixels.of_dark(Frame(pixels=pixels.astype(np.uint16)))
    assert caught.value.code == "not_a_dark"
