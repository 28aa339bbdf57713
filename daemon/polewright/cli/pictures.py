"""Picture files, solved: what each one shows, for the offline commands."""

import argparse
import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from polewright.adapters.solver.both import BothSolvers
from polewright.app.wishes import scale_arcsec_px
from polewright.cli.trails import trail_figures
from polewright.core.errors import UsageError
from polewright.core.geometry.directions import ARCSEC_RAD, spherical_from_vector
from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.decode import decode_picture
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.stars import trail_words
from polewright.core.sky.told_places import ToldPlace


@dataclass(frozen=True, slots=True)
class SolvedPicture:
    """One picture: its file, its attitude, and what the file itself tells of place and time."""

    path: Path
    attitude: Attitude
    places: tuple[ToldPlace, ...]
    own_instant: datetime | None

    @property
    def trails(self) -> str:
        """What is to be said of trails; empty where there are none."""
        return trail_words(self.attitude.elongation)


def read_picture(path: Path) -> Frame:
    """Return the frame that a file holds.

    Raises
    ------
    UsageError
        ``cannot_read``.
    MeasurementError
        It is no picture.
    """
    try:
        data = path.read_bytes()
    except OSError as trouble:
        raise UsageError(
            f"{path} cannot be read: {trouble.strerror}",
            remedy="Name an existing picture file.",
            code="cannot_read",
        ) from None
    return decode_picture(data, name=path.name)


def solve_picture(
    path: Path,
    options: argparse.Namespace,
    solver: BothSolvers,
    shutter_opened: datetime | None = None,
) -> SolvedPicture:
    """Solve one file by the optics of the options, else of the file.

    ``shutter_opened`` goes before what the file says of its time.

    Raises
    ------
    UsageError
        ``cannot_read``, ``no_scale``.
    MeasurementError
        It is no picture, or shows no stars that are recognised.
    """
    frame = read_picture(path)
    own_instant = frame.mid_exposure
    if shutter_opened is not None:
        frame = _taken_at(frame, shutter_opened)
    field_deg = options.fov
    scale = None
    if field_deg is not None and not 0.01 <= field_deg <= 60.0:
        raise UsageError(
            f"--fov {field_deg} is outside 0.01 to 60 deg", remedy="Give the field's width in deg."
        )
    focal_length = options.focal_length or frame.focal_length_mm
    pixel_size = options.pixel_size or frame.pixel_size_um
    if field_deg is None and focal_length and pixel_size:
        scale = scale_arcsec_px(focal_length, pixel_size)
    if field_deg is None and scale is None:
        raise UsageError(
            f"{path.name} does not say its scale",
            remedy="Give --fov, or --focal-length and --pixel-size.",
            code="no_scale",
        )
    attitude = solver.solve_now(frame, SolveHint(scale_arcsec_px=scale), field_deg=field_deg)
    return SolvedPicture(path, attitude, frame.places, own_instant)


def picture_figures(solved: SolvedPicture) -> dict[str, Any]:
    """Return what one picture shows, for programs."""
    attitude = solved.attitude
    right_ascension, declination = spherical_from_vector(attitude.boresight_icrs)
    sigma = np.sqrt(np.diag(attitude.covariance_camera_rad2)) / ARCSEC_RAD
    return {
        "file": str(solved.path),
        "right_ascension_deg": math.degrees(right_ascension),
        "declination_deg": math.degrees(declination),
        "camera_from_icrs": attitude.camera_from_icrs.tolist(),
        "scale_arcsec_px": attitude.scale_arcsec_px,
        "field_deg": attitude.scale_arcsec_px * attitude.width_px / 3600.0,
        "mirrored": attitude.mirrored,
        "matched": attitude.matched,
        "rms_arcsec": attitude.rms_arcsec,
        "roll_sigma_arcsec": float(sigma[0]),
        "direction_sigma_arcsec": float(math.hypot(sigma[1], sigma[2])),
        "mid_exposure": attitude.mid_exposure.isoformat() if attitude.mid_exposure else None,
        "solver": attitude.solver,
        **trail_figures(attitude.elongation),
    }


def _taken_at(frame: Frame, shutter_opened: datetime) -> Frame:
    """Return the frame with its time from the moment at which the shutter opened."""
    middle = shutter_opened + timedelta(seconds=0.5 * (frame.exposure_s or 0.0))
    return replace(frame, mid_exposure=middle, mid_exposure_sigma_s=1.0)
