"""A frame as a browser can show it: smaller, stretched, as one JPEG."""

import io

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from polewright.core.imaging.frame import Frame

# A phone shows no more; and a picture must not hold up the corrections behind it.
LARGEST_WIDTH_PX = 1280
_JPEG_QUALITY = 80
# The brightest part of the pixels may saturate (percent).
_SHOWN_PERCENT = 99.85
# Noise must not look like stars: white begins at least so many sigma above the background.
_WHITE_SIGMAS = 15.0
# Standard deviation by the median of absolute deviations, for a normal distribution.
_SIGMA_BY_MEDIAN = 1.4826
# Stars are faint: the lower the power, the brighter they are drawn.
_GAMMA = 0.5


def picture_of(frame: Frame) -> bytes:
    """Return a frame as JPEG, grey, as wide as a phone needs it (slow: call it in a worker)."""
    pixels = _smaller(frame.pixels, frame.bayer_pattern is not None)
    low, bright = np.percentile(pixels, (50.0, _SHOWN_PERCENT))
    noise = _SIGMA_BY_MEDIAN * float(np.median(np.abs(pixels - low)))
    high = max(float(bright), float(low) + _WHITE_SIGMAS * noise)
    stretched = np.clip((pixels - low) / max(high - float(low), 1e-9), 0.0, 1.0) ** _GAMMA
    grey = Image.fromarray((stretched * 255.0).astype(np.uint8), mode="L")
    target = io.BytesIO()
    grey.save(target, "JPEG", quality=_JPEG_QUALITY)
    return target.getvalue()


def _smaller(pixels: NDArray[np.generic], mosaic: bool) -> NDArray[np.float32]:
    """Average whole blocks; a Bayer mosaic by even ones, so that no colour is preferred."""
    factor = max(1, -(-pixels.shape[1] // LARGEST_WIDTH_PX))
    if mosaic and factor % 2:
        factor += 1
    height, width = (size // factor for size in pixels.shape)
    blocks = pixels[: height * factor, : width * factor].reshape(height, factor, width, factor)
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float32), dtype=np.float32)
