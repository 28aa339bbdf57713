"""A frame: the pixels of one exposure and when, where and how they were taken."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from polewright.core.sky.told_places import ToldPlace

Pixels = NDArray[np.unsignedinteger[Any] | np.floating[Any]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """One exposure.

    Attributes
    ----------
    pixels : ndarray of shape (height, width)
        Mono pixel values; row 0 is the first row of the file (FITS: the first row stored).
        A Bayer mosaic keeps its mosaic here and is named by ``bayer_pattern``.
    mid_exposure : datetime or None
        Aware UTC instant of mid-exposure; None where the picture does not say.
    mid_exposure_sigma_s : float
        How uncertain that instant is (s).
    exposure_s : float or None
        Exposure time (s).
    bayer_pattern : str or None
        For example ``"RGGB"``, naming pixel (0, 0) first.
    saturation : float or None
        Pixel value at which the sensor is full; None where unknown.
    electrons_per_adu : float or None
        Gain of the sensor (electrons per pixel unit); None where unknown.
    pixel_size_um, focal_length_mm : float or None
        As told by the picture or the device, binning included (um, mm).
    camera : str
        Device name or file name.
    places : tuple of ToldPlace
        Where the picture says that it was taken, once for each way in which it says so.
    """

    pixels: Pixels
    mid_exposure: datetime | None = None
    mid_exposure_sigma_s: float = 0.5
    exposure_s: float | None = None
    bayer_pattern: str | None = None
    saturation: float | None = None
    electrons_per_adu: float | None = None
    pixel_size_um: float | None = None
    focal_length_mm: float | None = None
    camera: str = ""
    places: tuple[ToldPlace, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what is not a picture and an instant without a zone."""
        if self.pixels.ndim != 2 or min(self.pixels.shape) < 16:
            raise ValueError(
                f"a frame needs two axes of 16 pixels or more, not {self.pixels.shape}"
            )
        if self.mid_exposure is not None and self.mid_exposure.tzinfo is None:
            raise ValueError("mid_exposure needs a time zone")
        self.pixels.setflags(write=False)

    @property
    def height_px(self) -> int:
        """Number of rows."""
        return int(self.pixels.shape[0])

    @property
    def width_px(self) -> int:
        """Number of columns."""
        return int(self.pixels.shape[1])
