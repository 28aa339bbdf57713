"""Hot pixels: known from a dark frame, replaced by what stands around them."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from polewright.core.errors import UsageError
from polewright.core.imaging.frame import Frame

# Noise passes this in one pixel of 10^9 (Gauss); a hot pixel that does not reach it harms nothing.
_HOT_SIGMAS = 6.0
# A robust deviation: the normal distribution's median absolute deviation is 0.6745 sigma.
_SIGMA_PER_MAD = 1.0 / 0.6745
# More than this is no hot pixel any more but a light leak, or not a dark frame at all.
_MOST_FRACTION = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HotPixels:
    """Where one sensor's hot pixels are.

    Attributes
    ----------
    rows, columns : ndarray of shape (n,)
        Their places.
    height_px, width_px : int
        Size of the frames that they belong to.
    """

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    height_px: int
    width_px: int

    @classmethod
    def of_dark(cls, dark: Frame) -> "HotPixels":
        """Return the hot pixels that a dark frame shows.

        Raises
        ------
        UsageError
            ``not_a_dark``: too many pixels stand out.
        """
        pixels = dark.pixels.astype(np.float32)
        middle = float(np.median(pixels))
        # Whole numbers may have a deviation of none; half a unit is then the least that counts.
        sigma = max(float(np.median(np.abs(pixels - middle))) * _SIGMA_PER_MAD, 0.5)
        rows, columns = np.nonzero(pixels - middle > _HOT_SIGMAS * sigma)
        if rows.size > _MOST_FRACTION * pixels.size:
            raise UsageError(
                f"{rows.size / pixels.size:.0%} of the dark frame's pixels stand out: light came "
                "in, or it is no dark frame",
                remedy="Take it with the cap on, at the gain and exposure of your frames.",
                code="not_a_dark",
            )
        return cls(rows=rows, columns=columns, height_px=dark.height_px, width_px=dark.width_px)

    def mended(self, frame: Frame) -> Frame:
        """Return a frame without them: each becomes the median of its neighbours of one colour.

        Raises
        ------
        UsageError
            ``dark_size``: the frame is of another size.
        """
        if (frame.height_px, frame.width_px) != (self.height_px, self.width_px):
            raise UsageError(
                f"the dark frame is {self.width_px} x {self.height_px} px, the camera delivers "
                f"{frame.width_px} x {frame.height_px}",
                remedy="Take the dark frame with the same binning and chip, or leave [camera] "
                "dark_file out.",
                code="dark_size",
            )
        if self.rows.size == 0:
            return frame
        # The next pixel of the same colour filter is two away.
        step = 2 if frame.bayer_pattern else 1
        around = []
        for down in (-step, 0, step):
            for right in (-step, 0, step):
                if down or right:
                    row = np.clip(self.rows + down, 0, self.height_px - 1)
                    column = np.clip(self.columns + right, 0, self.width_px - 1)
                    around.append(frame.pixels[row, column])
        pixels = frame.pixels.copy()
        pixels[self.rows, self.columns] = np.median(around, axis=0).astype(pixels.dtype)
        return replace(frame, pixels=pixels)
