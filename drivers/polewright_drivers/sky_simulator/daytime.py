"""Daytime: which bodies are in or near the field, and what light they and the sky send."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright_drivers.sky_simulator.daylight import daylight_mag_arcsec2
from polewright_drivers.sky_simulator.discs import Disc, Surface, draw_spots
from polewright_drivers.sky_simulator.mechanics import azimuth_altitude_deg, separation_rad
from polewright_drivers.sky_simulator.optics import field_radius_rad, project
from polewright_drivers.sky_simulator.scenario import Scenario
from polewright_drivers.sky_simulator.sky import Sky
from polewright_drivers.sky_simulator.solar_system import BODIES, Body, Outline, SolarSystem

Array = NDArray[np.float64]

_LARGEST_RADIUS_RAD = math.radians(0.3)
_ROUGH_RAD = math.radians(0.1)
_GLARE_REACH_RAD = math.radians(30.0)
_GLARE_POWER = 3.0
"""How stray light falls off outside of the field (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Light:
    """What is seen besides stars; as in ``Trails``."""

    discs: tuple[Disc, ...]
    daylight_mag_arcsec2: float
    glare_mag: float


class Daytime:
    """Sun, Moon, planets and the sky's light over one camera.

    Parameters
    ----------
    sky : Sky
        Knows the site and its air.
    scenario : Scenario
        The hidden truths.
    """

    def __init__(self, sky: Sky, scenario: Scenario) -> None:
        self._system = SolarSystem(sky)
        self._camera = scenario.camera
        self._lowest = math.sin(math.radians(scenario.sky.horizon_altitude_deg))
        self._spots = draw_spots(scenario.seed)

    def light(self, standing: list[Array], ends: list[float], radius_rad: float) -> Light:
        """Return what is seen during an exposure.

        Parameters
        ----------
        standing : list of ndarray of shape (3, 3)
            The camera from ENU at the middle of equal shares of the exposure.
        ends : list of float
            Start, middle and end (s since 1970, UTC).
        radius_rad : float
            Of the field, with what the camera moves.
        """
        ahead = standing[len(standing) // 2][0]
        rough = self._system.rough_enu(ends[1])
        _, sun_altitude_deg = azimuth_altitude_deg(rough[0])
        _, altitude_deg = azimuth_altitude_deg(ahead)
        sun_away_deg = math.degrees(separation_rad(rough[0], ahead))
        discs = []
        stray = 0.0
        for body, place in zip(BODIES, rough, strict=True):
            away = separation_rad(place, ahead)
            if away < radius_rad + _LARGEST_RADIUS_RAD + _ROUGH_RAD:
                outlines = [self._system.outline(body, t) for t in ends]
                discs.append(self._disc(body, outlines, standing))
            if away < _GLARE_REACH_RAD and place[2] > self._lowest:
                mag = self._system.rough_mag(body, ends[1])
                stray += 10.0 ** (-0.4 * mag) * self._stray_part(away)
        return Light(
            discs=tuple(discs),
            daylight_mag_arcsec2=daylight_mag_arcsec2(sun_altitude_deg, altitude_deg, sun_away_deg),
            glare_mag=-2.5 * math.log10(stray) if stray > 0.0 else math.inf,
        )

    def _stray_part(self, away_rad: float) -> float:
        """Return the share of a body's light that the optics spread over the picture."""
        field = field_radius_rad(self._camera)
        fall = min(1.0, field / max(away_rad, 1e-6))
        return self._camera.glare_fraction * math.pow(fall, _GLARE_POWER)

    def _disc(self, body: Body, outlines: list[Outline], standing: list[Array]) -> Disc:
        """Return a body's way over the sensor."""
        points = [outline.points_enu for outline in outlines]
        px = np.empty((len(standing), 5, 2))
        below = np.zeros(len(standing), dtype=bool)
        for k, camera_from_enu in enumerate(standing):
            place = parabola(points, (k + 0.5) / len(standing))
            px[k] = project(camera_from_enu, place, self._camera)
            below[k] = place[0, 2] < self._lowest
        middle = px[len(standing) // 2]
        return Disc(
            centre_px=np.where(below[:, None], np.nan, px[:, 0]),
            across_px=np.column_stack([middle[1] - middle[2], middle[3] - middle[4]]) / 2.0,
            mag=outlines[1].mag,
            phase_rad=outlines[1].phase_rad,
            surface=body.surface,
            spots=self._spots if body.surface is Surface.SUN else np.zeros((0, 4)),
        )


def parabola(three: list[NDArray[np.float64]], share: float) -> NDArray[np.float64]:
    """Return the quadratic through start, middle and end at a share of the way."""
    start, middle, end = three
    return (
        start * (2.0 * (share - 0.5) * (share - 1.0))
        + middle * (4.0 * share * (1.0 - share))
        + end * (2.0 * share * (share - 0.5))
    )
