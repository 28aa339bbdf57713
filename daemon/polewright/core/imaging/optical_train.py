"""Optical trains: what a camera on its telescope was found to be, kept from evening to evening."""

import math
from dataclasses import dataclass, replace

import numpy as np

from polewright.core.imaging.attitude import Attitude, SolveHint

# Focus and temperature change a scale by far less; another telescope or reducer by far more.
SAME_OPTICS_FRACTION = 0.01
# What stars of so rich a frame say of the lens serves frames with fewer.
FEWEST_STARS_FOR_DISTORTION = 30

# How wrong the scale of an earlier evening may be: focus, temperature (fraction, one sigma).
_REMEMBERED_SCALE_SIGMA_FRACTION = 0.003
# A scale this many sigmas from the one that settings or devices tell is another lens's.
_CONTRADICTING_SIGMAS = 3.0


def same_scale(now_arcsec_px: float, then_arcsec_px: float) -> bool:
    """Return whether two pictures' scales (arcsec per pixel) can be of the same optics."""
    return abs(now_arcsec_px / then_arcsec_px - 1.0) <= SAME_OPTICS_FRACTION


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainKey:
    """Which pictures a train's figures hold for: another binning or window is another train.

    ``pixel_size_um`` includes the binning, None where the pictures do not tell it.
    """

    camera: str
    width_px: int
    height_px: int
    pixel_size_um: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class OpticalTrain:
    """What is known of a camera on its telescope.

    Attributes
    ----------
    scale_arcsec_px : float
        Plate scale at the centre (arcsec per px).
    radial : float
        Cubic radial term of the lens (see ``Attitude.radial``); 0 until a frame rich in stars
        has shown it.
    radial_stars : int
        How many stars of that frame; 0: not known.
    mirrored : bool
        Whether pictures show the sky in a mirror.
    position_angle_deg : float
        Of the picture's upward direction, from north through east, in the last frame (deg); kept
        as information: it turns with the pier side and with every hand on the camera.
    """

    scale_arcsec_px: float
    mirrored: bool
    radial: float = 0.0
    radial_stars: int = 0
    position_angle_deg: float = math.nan

    def shows(self, attitude: Attitude) -> bool:
        """Return whether a solved frame has the scale and the parity of this train."""
        return attitude.mirrored == self.mirrored and same_scale(
            attitude.scale_arcsec_px, self.scale_arcsec_px
        )

    def contradicts(self, hint: SolveHint) -> bool:
        """Return whether what settings and devices say of the scale or parity rules it out."""
        if hint.mirrored is not None and hint.mirrored != self.mirrored:
            return True
        if not hint.scale_arcsec_px:
            return False
        apart = abs(self.scale_arcsec_px / hint.scale_arcsec_px - 1.0)
        return apart > _CONTRADICTING_SIGMAS * hint.scale_sigma_fraction

    def told_to(self, hint: SolveHint) -> SolveHint:
        """Return a hint with this train in place of what was believed of scale and lens."""
        return replace(
            hint,
            scale_arcsec_px=self.scale_arcsec_px,
            scale_sigma_fraction=_REMEMBERED_SCALE_SIGMA_FRACTION,
            mirrored=self.mirrored,
            radial=self.radial,
        )


def train_after(before: OpticalTrain | None, attitude: Attitude) -> OpticalTrain:
    """Return what is known of a train after one more solved frame of it."""
    rich = attitude.matched >= FEWEST_STARS_FOR_DISTORTION
    return OpticalTrain(
        scale_arcsec_px=attitude.scale_arcsec_px,
        mirrored=attitude.mirrored,
        radial=attitude.radial if rich else before.radial if before else 0.0,
        radial_stars=attitude.matched if rich else before.radial_stars if before else 0,
        position_angle_deg=position_angle_deg(attitude),
    )


def position_angle_deg(attitude: Attitude) -> float:
    """Return the position angle of the picture's upward direction at its centre (deg, 0 to 360).

    From celestial north through east; upward is toward smaller row numbers.
    """
    up = attitude.camera_from_icrs[2] * (1.0 if attitude.mirrored else -1.0)
    boresight = attitude.boresight_icrs
    east = np.cross([0.0, 0.0, 1.0], boresight)
    north = np.cross(boresight, east)
    return math.degrees(math.atan2(float(up @ east), float(up @ north))) % 360.0
