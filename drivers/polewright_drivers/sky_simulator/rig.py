"""Rig: mount, bolts, sky and time put together; no INDI here."""

import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from polewright_drivers.sky_simulator.axes import Axes, Place
from polewright_drivers.sky_simulator.bolt import Bolt
from polewright_drivers.sky_simulator.daytime import Daytime, parabola
from polewright_drivers.sky_simulator.mechanics import (
    Joints,
    Mechanics,
    azimuth_altitude_deg,
    direction,
    separation_rad,
)
from polewright_drivers.sky_simulator.optics import field_radius_rad, project, scale_arcsec_px
from polewright_drivers.sky_simulator.play import Play
from polewright_drivers.sky_simulator.rendering import Trails
from polewright_drivers.sky_simulator.scenario import BoltsTruth, Scenario
from polewright_drivers.sky_simulator.sky import Sky, julian_year
from polewright_drivers.sky_simulator.stars import Stars, load_stars

_STEP_PX = 0.4
"""A trail is drawn in steps of at most this."""
_MOST_STEPS = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What the simulated mount's axis really is; names as in the INDI property."""

    axis_alt_deg: float
    axis_az_deg: float
    pole_alt_deg: float
    pole_az_deg: float
    alt_error_arcmin: float
    az_error_arcmin: float
    total_error_arcsec: float
    total_error_refracted_arcsec: float


class Exposure:
    """The camera's attitude at instants during one exposure, and whether the filter was on."""

    def __init__(self, *, solar_filter: bool) -> None:
        self.solar_filter = solar_filter
        self.unix_s: list[float] = []
        self.joints: list[Joints] = []

    def at(self, unix_s: float) -> Joints:
        """Return the joints at an instant, linear between the recorded ones."""
        later = min(max(bisect_right(self.unix_s, unix_s), 1), len(self.unix_s) - 1)
        before, after = self.joints[later - 1], self.joints[later]
        span = self.unix_s[later] - self.unix_s[later - 1]
        share = (unix_s - self.unix_s[later - 1]) / span if span > 0.0 else 0.0

        def between(a: float, b: float) -> float:
            return a + (b - a) * share

        return Joints(
            axis_1_rad=between(before.axis_1_rad, after.axis_1_rad),
            axis_2_rad=between(before.axis_2_rad, after.axis_2_rad),
            azimuth_bolt_rad=between(before.azimuth_bolt_rad, after.azimuth_bolt_rad),
            altitude_bolt_rad=between(before.altitude_bolt_rad, after.altitude_bolt_rad),
        )


class Rig:
    """Everything that stands on the terrace.

    Parameters
    ----------
    scenario : Scenario
        The hidden truths.
    now : callable
        The simulated instant (s since 1970, UTC).
    stars : Stars, optional
        The catalogue of the evening's date; read at the first picture where left out.
    """

    def __init__(
        self, scenario: Scenario, now: Callable[[], float], stars: Stars | None = None
    ) -> None:
        self.scenario = scenario
        self._now = now
        self.sky = Sky(scenario.site)
        self.mechanics = Mechanics(scenario.site, scenario.mount, scenario.camera)
        mount = scenario.mount
        self.axes = Axes(
            hemisphere=scenario.site.side,
            slew_rate_deg_s=mount.slew_rate_deg_s,
            parked=mount.parked_at_start,
            flips=mount.kind != "fork",
        )
        self.hand_deg = 0.0
        home_1, home_2 = self.axes.home_deg
        self._ra_play = Play(mount.ra_backlash_arcsec / 3600.0, home_1)
        self._dec_play = Play(mount.dec_backlash_arcsec / 3600.0, home_2)
        self.azimuth_bolt, self.altitude_bolt = _bolts(scenario.bolts)
        self._exposures: list[Exposure] = []
        self._unix_s = now()
        self.believed_latitude_deg = scenario.site.latitude_deg
        self.believed_longitude_deg = scenario.site.longitude_deg
        self.believed_elevation_m = scenario.site.elevation_m
        self.clock_error_s = mount.clock_error_s
        self._stars = stars
        self.solar_filter = scenario.camera.solar_filter
        self._daytime = Daytime(self.sky, scenario) if scenario.sky.daylight else None

    @property
    def exposing(self) -> bool:
        """True while a shutter is open."""
        return bool(self._exposures)

    def prepare(self) -> None:
        """Read the catalogue and the Earth-orientation table now, not at the first picture."""
        exposure, start_s = self.begin_exposure()
        self.end_exposure(exposure)
        self.trails(exposure, start_s, 1.0)
        self.sky.icrs_of_date(*self.believed_place(), start_s)
        self.truth()

    # time

    def advance(self) -> float:
        """Bring everything up to now; return the instant (s since 1970, UTC)."""
        now_s = self._now()
        duration_s = max(now_s - self._unix_s, 0.0)
        self._unix_s = now_s
        self.axes.advance(duration_s)
        self._ra_play.follow(self.axes.motor_deg[0])
        self._dec_play.follow(self.axes.motor_deg[1])
        self.azimuth_bolt.advance(duration_s)
        self.altitude_bolt.advance(duration_s)
        if self._exposures:
            joints = self.joints()
            for exposure in self._exposures:
                exposure.unix_s.append(now_s)
                exposure.joints.append(joints)
        return now_s

    # the truth

    def joints(self) -> Joints:
        """Return how everything really stands."""
        mount = self.scenario.mount
        worm_turns = self._ra_play.position * 240.0 / mount.worm_period_s
        periodic_deg = (
            mount.periodic_error_arcsec
            / 3600.0
            * math.sin(2.0 * math.pi * worm_turns + math.radians(mount.worm_phase_deg))
        )
        return Joints(
            axis_1_rad=math.radians(
                self._ra_play.position
                + mount.ra_index_arcmin / 60.0
                + periodic_deg
                + self._unseen_deg()
            ),
            axis_2_rad=math.radians(self._dec_play.position + mount.dec_index_arcmin / 60.0),
            azimuth_bolt_rad=self.azimuth_bolt.angle_rad,
            altitude_bolt_rad=self.altitude_bolt.angle_rad,
        )

    def _unseen_deg(self) -> float:
        """Return what axis 1 turned without its encoder (deg): lost steps, creep, a hand."""
        mount = self.scenario.mount
        creep_deg = mount.creep_arcmin / 60.0 * math.exp(-self.axes.still_s / mount.creep_s)
        return self.hand_deg + creep_deg - mount.lost_steps_fraction * self.axes.slewed_deg

    def truth(self) -> Truth:
        """Return the axis and its errors against the true and the refracted pole."""
        axis = self.mechanics.axis_enu(self.joints())
        pole = self.mechanics.pole_enu
        axis_az, axis_alt = azimuth_altitude_deg(axis)
        pole_az, pole_alt = azimuth_altitude_deg(pole)
        raised = direction(pole_az, self.sky.refracted_altitude_deg(pole_alt, self._unix_s))
        return Truth(
            axis_alt_deg=axis_alt,
            axis_az_deg=axis_az,
            pole_alt_deg=pole_alt,
            pole_az_deg=pole_az,
            alt_error_arcmin=(axis_alt - pole_alt) * 60.0,
            az_error_arcmin=((axis_az - pole_az + 180.0) % 360.0 - 180.0) * 60.0,
            total_error_arcsec=math.degrees(separation_rad(axis, pole)) * 3600.0,
            total_error_refracted_arcsec=math.degrees(separation_rad(axis, raised)) * 3600.0,
        )

    # what the mount believes

    def sidereal_deg(self) -> float:
        """Return the sidereal time that the mount believes in, as an angle (deg)."""
        true_deg = self.sky.sidereal_deg(self._unix_s + self.clock_error_s)
        return true_deg + self.believed_longitude_deg - self.scenario.site.longitude_deg

    def believed_place(self) -> tuple[float, float]:
        """Return right ascension and declination of date (deg) by the encoders."""
        place, _ = self.axes.believed()
        return (self.sidereal_deg() - place.hour_angle_deg) % 360.0, place.declination_deg

    def place(self, right_ascension_deg: float, declination_deg: float) -> Place:
        """Return where the mount believes that this place of date is now."""
        return Place(
            hour_angle_deg=self.sidereal_deg() - right_ascension_deg,
            declination_deg=declination_deg,
        )

    def believed_altitude_deg(self, place: Place) -> float:
        """Return how high the mount believes that a place is."""
        latitude = math.radians(self.believed_latitude_deg)
        dec, hour = math.radians(place.declination_deg), math.radians(place.hour_angle_deg)
        sine = math.sin(latitude) * math.sin(dec)
        sine += math.cos(latitude) * math.cos(dec) * math.cos(hour)
        return math.degrees(math.asin(max(-1.0, min(1.0, sine))))

    # exposures

    def begin_exposure(self) -> tuple[Exposure, float]:
        """Start recording the attitude; return the record and its first instant."""
        exposure = Exposure(solar_filter=self.solar_filter)
        self._exposures.append(exposure)
        return exposure, self.advance()

    def end_exposure(self, exposure: Exposure) -> None:
        """Stop recording."""
        self.advance()
        self._exposures.remove(exposure)

    def trails(self, exposure: Exposure, start_s: float, duration_s: float) -> Trails:
        """Return where the stars ran over the sensor (slow: reads the catalogue once)."""
        camera = self.scenario.camera
        middle_s = start_s + duration_s / 2.0
        ends = [start_s, middle_s, start_s + duration_s]
        attitudes = [self.mechanics.enu_from_camera(exposure.at(t)) for t in ends]
        moved = max(separation_rad(attitudes[0][:, 0], a[:, 0]) for a in attitudes)
        radius = min(field_radius_rad(camera) + moved, math.pi / 2.0)
        centre = self.sky.icrs_of(attitudes[1][:, 0], middle_s)
        stars = self._catalogue().within(centre, radius)
        seen = list(self.sky.observed_enu_at(stars.vector_icrs, ends))
        low = math.sin(math.radians(self.scenario.sky.horizon_altitude_deg))
        track = [project(a.T, v, camera) for a, v in zip(attitudes, seen, strict=True)]
        longest = max(_longest_px(track[0], track[1]), _longest_px(track[1], track[2]))
        if not len(stars):  # the field itself tells how far a body may run
            longest = math.degrees(moved) * 3600.0 / scale_arcsec_px(camera)
        steps = min(max(math.ceil(2.0 * longest / _STEP_PX), 1), _MOST_STEPS)
        px = np.empty((steps, len(stars), 2))
        standing = []
        for k in range(steps):
            share = (k + 0.5) / steps
            attitude = self.mechanics.enu_from_camera(exposure.at(start_s + share * duration_s))
            standing.append(attitude.T)
            place = parabola(seen, share)
            px[k] = project(attitude.T, place, camera)
            px[k][place[:, 2] < low] = np.nan
        if self._daytime is None:
            return Trails(px=px, mag=stars.mag, solar_filter=exposure.solar_filter)
        light = self._daytime.light(standing, ends, radius)
        return Trails(
            px=px,
            mag=stars.mag,
            discs=light.discs,
            daylight_mag_arcsec2=light.daylight_mag_arcsec2,
            glare_mag=light.glare_mag,
            solar_filter=exposure.solar_filter,
        )

    def _catalogue(self) -> Stars:
        """Return the stars of the evening's date."""
        if self._stars is None:
            year = julian_year(self._unix_s)
            self._stars = load_stars(year, self.scenario.sky.faintest_mag)
        return self._stars


def _bolts(truth: BoltsTruth) -> tuple[Bolt, Bolt]:
    """Return the azimuth and the altitude bolt."""
    azimuth = Bolt(
        arcmin_per_turn=truth.azimuth_arcmin_per_turn,
        clockwise_sign=1.0 if truth.azimuth_clockwise == "east" else -1.0,
        backlash_turns=truth.azimuth_backlash_turns,
    )
    altitude = Bolt(
        arcmin_per_turn=truth.altitude_arcmin_per_turn,
        clockwise_sign=1.0 if truth.altitude_clockwise == "raises" else -1.0,
        backlash_turns=truth.altitude_backlash_turns,
    )
    return azimuth, altitude


def _longest_px(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Return the longest way between two sets of places (px)."""
    way = np.hypot(*(a - b).T)
    way = way[np.isfinite(way)]
    return float(way.max()) if way.size else 0.0
