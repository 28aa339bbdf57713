"""From a solved frame to an observed attitude: the stars' places over the horizon, then one fit."""

import math

from polewright.core.axis.observation import ObservedAttitude
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import altaz_from_enu
from polewright.core.imaging.attitude import Attitude
from polewright.core.imaging.fitting import fit_camera
from polewright.core.sky.instant import EarthOrientation
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.place import Place

# No camera sees through the ground; the air bends less than this.
_LOWEST_ALTITUDE_DEG = -2.0


def observe(
    attitude: Attitude,
    place: Place,
    *,
    label: str = "",
    orientation: EarthOrientation | None = None,
) -> ObservedAttitude:
    """Return how the camera stood over the ground at mid-exposure.

    Every matched star's place is taken through aberration, precession-nutation, Earth rotation
    and refraction, and one rotation (with scale) is fitted to what was measured: refracting
    only the field's centre would leave up to 100 arcsec of false roll.  ``orientation`` is the
    Earth's at that instant; left out: what the packaged table says.

    Raises
    ------
    MeasurementError
        ``no_time``: the frame has no instant; ``below_horizon``: place or clock must be wrong.
    """
    if attitude.mid_exposure is None:
        raise MeasurementError(
            "the picture does not say when it was taken, so it cannot be set against the ground",
            remedy="Use FITS files with DATE-OBS, or give the time.",
            code="no_time",
        )
    moment = ObservingMoment.at(place, attitude.mid_exposure, orientation)
    fit = fit_camera(
        attitude.star_tangent,
        moment.enu_from_icrs(attitude.star_icrs),
        attitude.star_sigma_px,
        scale_arcsec_px=attitude.scale_arcsec_px,
    )
    altitude_deg = math.degrees(altaz_from_enu(fit.camera_from_world[0])[0])
    if altitude_deg < _LOWEST_ALTITUDE_DEG:
        raise MeasurementError(
            f"by this place and time the picture shows sky {-altitude_deg:.0f} deg below the "
            "horizon, so the place or the clock is wrong",
            remedy="Check latitude (north positive), longitude (east positive) and that the time "
            "is UTC.",
            code="below_horizon",
        )
    return ObservedAttitude(
        enu_from_camera=fit.camera_from_world.T,
        covariance_camera_rad2=fit.covariance_rad2,
        instant=attitude.mid_exposure,
        label=label,
    )
