"""Sights: what is known of a mount by day, from sight to sight."""

import logging
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo

import numpy as np

from polewright.core.axis.correction import Correction, correct
from polewright.core.axis.picture_axes import PictureAxes
from polewright.core.axis.pointing_mechanics import PointingTerms, axis_terms
from polewright.core.axis.pointing_model import PointingFit, fit_pointing
from polewright.core.axis.sighting_plan import Look, advise, possible_looks, what_cannot_be_told
from polewright.core.axis.sightings import PointingPrior, Sighting
from polewright.core.axis.turned_mount import FollowedMount, bolt_columns
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD, angle_between
from polewright.core.geometry.rotations import Vector
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.place import Place

_log = logging.getLogger(__name__)

# A mount without home sensors may begin with its zero points anywhere within this (rad).
_NO_HOME_RAD = math.radians(5.0)
# Hands that turn the bolts by what they were told are right to a fifth of the way (common
# practice, no source), and never better than this (rad).
_HANDS_PART = 0.2
_HANDS_LEAST_RAD = 2.0 * ARCMIN_RAD
# Vaguer than this nothing was taught: it is a guess of what mounts are like (rad).
_TAUGHT_RAD = math.radians(0.5)
# How far ahead the plan looks (s), and in what steps.
_AHEAD_S = 8.0 * 3600.0
_STEP_S = 900.0
# The wish is a part of the tolerance: the verdict needs twice the sigma inside it.
_WISH_PART = 0.25
PLANETS_AND_MOON = (Body.MOON, Body.VENUS, Body.JUPITER)


@dataclass(frozen=True, slots=True, kw_only=True)
class SightWish:
    """What is believed of a mount before any sight.

    Attributes
    ----------
    home_sigma_arcmin : float or None
        How well the mount knows where it points when it is switched on (home sensors, or set by
        the person); None: not at all.
    cone_sigma_arcmin : float
        The telescope against the square on the declination axis.
    square_sigma_arcmin : float
        The declination axis against the square on the polar axis.
    axis_sigma_deg : float
        How far the axis may be off before anything is measured.
    level_sigma_deg : float
        How level the base of the mount is: a base that leans sideways turns the mount about its
        axis, and so the zero of its hour angle.
    repeatability_arcsec : float
        How well the mount points twice at the same place.
    """

    home_sigma_arcmin: float | None = None
    cone_sigma_arcmin: float = 10.0
    square_sigma_arcmin: float = 2.0
    axis_sigma_deg: float = 3.0
    level_sigma_deg: float = 0.3
    repeatability_arcsec: float = 12.0

    def prior(self, place: Place, earlier: PointingPrior | None = None) -> PointingPrior:
        """Return what is known before the first sight; of each term the better known counts.

        ``earlier`` is what earlier evenings taught of the terms but the axis.

        A mount's zero of the hour angle is where its own head has it: in the upright plane of its
        axis.  Seen from the sky it goes with the azimuth bolt, and that is in the covariance.
        """
        home = self.home_sigma_arcmin
        index_rad = _NO_HOME_RAD if home is None else home * ARCMIN_RAD
        lean_rad = math.radians(self.level_sigma_deg) * math.cos(place.latitude_rad)
        within = PointingPrior.independent(
            PointingTerms(
                axis_east_rad=ARCSEC_RAD,
                axis_up_rad=ARCSEC_RAD,
                index_hour_rad=math.hypot(index_rad, lean_rad),
                index_declination_rad=index_rad,
                cone_rad=self.cone_sigma_arcmin * ARCMIN_RAD,
                non_perpendicularity_rad=self.square_sigma_arcmin * ARCMIN_RAD,
            )
        )
        if earlier is not None:
            within = _better_known(within, earlier)
        bolts = bolt_columns(within.mean, place) * math.radians(self.axis_sigma_deg)
        bolts[:, 0] /= math.cos(place.latitude_rad)
        return PointingPrior(
            mean=within.mean, covariance_rad2=within.covariance_rad2 + bolts @ bolts.T
        )


def _better_known(within: PointingPrior, earlier: PointingPrior) -> PointingPrior:
    """Return, of each term but the axis, what the one or the other knows better."""
    mean, variances = within.mean.array(), np.diag(within.covariance_rad2).copy()
    taught = np.diag(earlier.covariance_rad2)
    better = (taught < variances) & (taught < _TAUGHT_RAD**2)
    better[:2] = False
    mean[better] = earlier.mean.array()[better]
    variances[better] = taught[better]
    return PointingPrior(mean=PointingTerms.of(mean), covariance_rad2=np.diag(variances))


@dataclass(slots=True, kw_only=True)
class Sights:
    """The sights of one mount since it was switched on, and what follows from them.

    ``axes`` are those of the picture on the side of the pier that the mount calls not beyond the
    pole; ``body`` is the one that was sighted last.
    """

    mount: str
    place: Place
    prior: PointingPrior
    fit: PointingFit
    axes: PictureAxes | None = None
    body: Body | None = None
    sightings: list[Sighting] = field(default_factory=list)

    @classmethod
    def begin(
        cls, mount: str, place: Place, wish: SightWish, earlier: PointingPrior | None = None
    ) -> "Sights":
        """Begin with what is believed beforehand, by settings and by earlier evenings."""
        prior = wish.prior(place, earlier)
        return cls(mount=mount, place=place, prior=prior, fit=fit_pointing([], prior, place))

    def add(self, sighting: Sighting, body: Body) -> None:
        """Take one more sight, of this body.

        Raises
        ------
        MeasurementError
            ``no_fit``, ``sights_disagree``: nothing is changed then.
        """
        sightings = [*self.sightings, sighting]
        fit = fit_pointing(sightings, self.prior, self.place)
        if not fit.consistent:
            _log.info(
                "%s disagrees: chi-square %.1f for %d, residuals %s arcsec",
                sighting.label, fit.chi2, fit.degrees_of_freedom,
                np.round(fit.residuals_rad / ARCSEC_RAD).tolist(),
            )  # fmt: skip
            raise MeasurementError(
                "this sight does not agree with what was known of the mount before it",
                remedy="If the bolts were turned since: polewright sight --turned. If the mount "
                "was switched off, moved by hand or its tube shifted: polewright sight --anew.",
                code="sights_disagree",
            )
        self.sightings, self.fit, self.body = sightings, fit, body

    def follow(self, followed: FollowedMount) -> None:
        """Go on from a mount that was followed while its bolts turned."""
        self.prior, self.sightings = followed.prior, []
        self.fit = fit_pointing([], self.prior, self.place)

    def turned(self, target_enu: Vector) -> None:
        """Take note that hands have turned the bolts by about what they were told."""
        fit = self.fit
        way_rad = angle_between(fit.axis_enu, target_enu)
        bolts = bolt_columns(fit.terms, self.place)
        columns = bolts * max(_HANDS_PART * way_rad, _HANDS_LEAST_RAD)
        terms = fit.terms.array()
        east, up = axis_terms(target_enu, self.place)
        # The zero point of the hour angle goes with the azimuth bolt.
        turns = np.linalg.solve(bolts[:2], np.array([east, up]) - terms[:2])
        moved = terms + bolts @ turns
        moved[:2] = east, up
        self.prior = PointingPrior(
            mean=PointingTerms.of(moved), covariance_rad2=fit.covariance_rad2 + columns @ columns.T
        )
        self.sightings = []
        self.fit = fit_pointing([], self.prior, self.place)

    def correction(self, target_enu: Vector, tolerance_arcsec: float) -> Correction:
        """Return what brings the axis to its target."""
        return correct(
            self.fit.axis_enu,
            self.fit.axis_covariance_rad2,
            target_enu,
            tolerance_rad=tolerance_arcsec * ARCSEC_RAD,
            trustworthy=self.fit.consistent and self.fit.mounts == 1,
        )

    def advice(
        self,
        now: datetime,
        zone: tzinfo,
        *,
        bodies: Sequence[Body],
        hours_deg: tuple[float, float],
        sigma_rad: float,
        nearest_to_sun_rad: float,
        tolerance_arcsec: float,
        both_sides: bool,
    ) -> tuple[str, str | None]:
        """Return in words what to look at next, and what the sights so far cannot tell."""
        wish_rad = _WISH_PART * tolerance_arcsec * ARCSEC_RAD
        looks = possible_looks(
            self.place,
            now,
            now + timedelta(seconds=_AHEAD_S),
            bodies=bodies,
            sides=(False, True) if both_sides else (False,),
            sigma_rad=sigma_rad,
            step_s=_STEP_S,
            nearest_to_sun_rad=nearest_to_sun_rad,
        )
        within = [look for look in looks if self._within(look, hours_deg)]
        advice = advise(self.fit, within, wish_rad=wish_rad)
        words = advice.words(zone, now)
        if not advice.looks and advice.reaches_wish:
            words = "no further sight is needed"
        return words, what_cannot_be_told(self.fit, wish_rad=wish_rad)

    def _within(self, look: Look, hours_deg: tuple[float, float]) -> bool:
        try:
            hour_angle, _ = self.fit.readings_for(
                look.seen.direction_enu, beyond_the_pole=look.beyond_the_pole
            )
        except MeasurementError:
            return False
        return hours_deg[0] <= math.degrees(hour_angle) <= hours_deg[1]

    def axes_on(self, *, beyond: bool) -> PictureAxes | None:
        """Return the picture's axes on a side of the pier, as far as they are known."""
        if self.axes is None or not beyond:
            return self.axes
        return self.axes.turned_over()

    def learn_axes(self, axes: PictureAxes, *, beyond: bool) -> None:
        """Keep the picture's axes as they were seen on a side of the pier."""
        self.axes = axes.turned_over() if beyond else axes
