"""Tolerance: how far off the axis may be before it shows in the pictures.

An axis off the pole by ``e`` lets the sky turn against the mount by exactly ``theta`` with
``sin(theta/4) = sin(Omega T/2) sin(e/2)`` in a time T (product of two rotations by Omega T about
directions ``e`` apart; own derivation).  Unguided, a star drifts by up to ``theta``.  Guided, the
guide star stands and the field turns about it by up to ``theta / cos(declination)``.
"""

import math
from dataclasses import dataclass

from polewright.core.errors import UsageError

# One turn of the Earth against the stars: 86164.0905 s of mean solar time (IERS Conventions 2010).
SIDEREAL_RATE_RAD_S = 2.0 * math.pi / 86164.0905

# No axis needs to be better than this: mounts and air wander by as much (common practice).
FINEST_TOLERANCE_RAD = math.radians(15.0 / 3600.0)
# Beyond this the small print of go-tos and pointing matters more than smear (common practice).
COARSEST_TOLERANCE_RAD = math.radians(2.0)

# Guiding in one sense only, and its corrections, stay unnoticed below this drift
# (arcsec per minute of time; common practice, no source).
_EASY_GUIDING_ARCSEC_MIN = 1.0
EASY_GUIDING_RAD = math.radians(_EASY_GUIDING_ARCSEC_MIN / 3600.0) / (60.0 * SIDEREAL_RATE_RAD_S)
"""The axis error up to which that is so (rad)."""
# Within a degree of the pole a mount cannot hold a guide star by right ascension anyway.
_LEAST_COSINE = math.sin(math.radians(1.0))
USUAL_TOLERANCE_RAD = math.radians(1.0 / 60.0)
"""Where nothing is planned: good for a few minutes at a few hundred millimetres (common practice,
no source)."""
USUAL_FARTHEST_MM = 14.0
"""From the guide star to the farthest corner: about half the diagonal of 24 x 16 mm."""

NEEDS_GUIDING_RAD = math.radians(0.5 / 60.0)
"""Unguided, so small an error asks for more than gears do alone (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposurePlan:
    """What is to be shot.

    Attributes
    ----------
    focal_length_mm, pixel_size_um : float
        Of the imaging train (mm, um).
    exposure_s : float
        One exposure (s).
    declination_deg : float
        Of the target (deg).
    guided : bool
        Whether a guide star is held.
    farthest_mm : float
        Distance on the sensor from the guide star to the farthest corner; where the guide star is
        the sensor's centre, half its diagonal (mm).
    allowed_px : float
        Smear that is accepted (px).
    """

    focal_length_mm: float
    pixel_size_um: float
    exposure_s: float
    declination_deg: float = 0.0
    guided: bool = False
    farthest_mm: float = USUAL_FARTHEST_MM
    allowed_px: float = 1.0

    def __post_init__(self) -> None:
        """Refuse what cannot be photographed."""
        for name in ("focal_length_mm", "pixel_size_um", "exposure_s", "allowed_px", "farthest_mm"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                raise UsageError(
                    f"{name} = {value} is not a positive number",
                    remedy="Give it in the unit that its name says.",
                )
        if not -90.0 <= self.declination_deg <= 90.0:
            raise UsageError(
                f"declination_deg = {self.declination_deg} is outside -90 to 90",
                remedy="Give the target's declination in degrees.",
            )

    @property
    def scale_rad_px(self) -> float:
        """Plate scale (rad per px)."""
        return self.pixel_size_um * 1e-3 / self.focal_length_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """The largest total error (rad) that is good enough, and the words that say why."""

    error_rad: float
    reason: str


def field_turn_rad(axis_error_rad: float, duration_s: float) -> float:
    """Return the largest rotation (rad) of the sky against the mount in a time (s)."""
    half_turn = math.sin(min(0.5 * SIDEREAL_RATE_RAD_S * duration_s, 0.5 * math.pi))
    return 4.0 * math.asin(half_turn * math.sin(0.5 * axis_error_rad))


def smear_px(plan: ExposurePlan, axis_error_rad: float) -> float:
    """Return the largest smear (px) in one exposure, at the worst hour angle."""
    turn = field_turn_rad(axis_error_rad, plan.exposure_s)
    if not plan.guided:
        return turn / plan.scale_rad_px
    return turn * plan.farthest_mm * 1e3 / plan.pixel_size_um / _cos_declination(plan)


def tolerance_for(plan: ExposurePlan) -> Tolerance:
    """Return the axis error at which the plan's smear is reached, within sensible bounds."""
    turn = _allowed_turn_rad(plan)
    if plan.guided:
        reason = (
            f"field rotation of {plan.allowed_px:g} px in {plan.exposure_s:g} s "
            f"at {plan.farthest_mm:g} mm from the guide star"
        )
    else:
        reason = (
            f"drift of {plan.allowed_px:g} px in {plan.exposure_s:g} s "
            f"at {plan.focal_length_mm:g} mm without guiding"
        )
    error = _error_of_turn(turn, plan.exposure_s)
    if plan.guided and error > EASY_GUIDING_RAD:
        error = EASY_GUIDING_RAD
        reason = "so that guiding has to correct under 1 arcsec per minute"
    if error < FINEST_TOLERANCE_RAD:
        asked = math.degrees(error) * 3600.0
        return Tolerance(
            error_rad=FINEST_TOLERANCE_RAD,
            reason=f"{reason} would ask for {asked:.0f} arcsec, finer than mounts and air allow",
        )
    if error > COARSEST_TOLERANCE_RAD:
        return Tolerance(
            error_rad=COARSEST_TOLERANCE_RAD,
            reason=f"{reason} would allow more; go-tos do not",
        )
    return Tolerance(error_rad=error, reason=reason)


def longest_exposure_s(plan: ExposurePlan, axis_error_rad: float) -> float:
    """Return the longest exposure (s) whose smear stays within what the plan allows.

    The inverse of :func:`smear_px` in time, at the worst hour angle; infinite where the smear
    never gets that far, in half a sidereal day.
    """
    ratio = math.sin(min(0.25 * _allowed_turn_rad(plan), 0.5 * math.pi)) / max(
        math.sin(0.5 * axis_error_rad), 1e-300
    )
    return math.inf if ratio >= 1.0 else 2.0 * math.asin(ratio) / SIDEREAL_RATE_RAD_S


def widest_declination_deg(plan: ExposurePlan, axis_error_rad: float) -> float | None:
    """Return how far from the equator the plan's exposure is good, on either side (deg).

    90 where it is good everywhere, as unguided: drift knows no declination at the worst hour
    angle.  None where it is good nowhere.
    """
    turn = field_turn_rad(axis_error_rad, plan.exposure_s)
    if not plan.guided:
        return 90.0 if turn <= _allowed_turn_rad(plan) else None
    cosine = turn * plan.farthest_mm * 1e3 / (plan.allowed_px * plan.pixel_size_um)
    if cosine > 1.0:
        return None
    return 90.0 if cosine <= _LEAST_COSINE else math.degrees(math.acos(cosine))


def gears_wander_more(plan: ExposurePlan) -> bool:
    """Return whether an unguided plan asks for more than gears do alone, however good the axis."""
    return not plan.guided and _error_of_turn(_allowed_turn_rad(plan), plan.exposure_s) < (
        NEEDS_GUIDING_RAD
    )


def _allowed_turn_rad(plan: ExposurePlan) -> float:
    """Return the turn of the sky against the mount at which the allowed smear is reached."""
    if plan.guided:
        return (
            plan.allowed_px * plan.pixel_size_um * 1e-3 / plan.farthest_mm * _cos_declination(plan)
        )
    return plan.allowed_px * plan.scale_rad_px


def _error_of_turn(turn_rad: float, duration_s: float) -> float:
    """Invert :func:`field_turn_rad`; pi where even that would not show."""
    half_turn = math.sin(min(0.5 * SIDEREAL_RATE_RAD_S * duration_s, 0.5 * math.pi))
    ratio = math.sin(min(0.25 * turn_rad, 0.5 * math.pi)) / half_turn
    return math.pi if ratio >= 1.0 else 2.0 * math.asin(ratio)


def _cos_declination(plan: ExposurePlan) -> float:
    return max(math.cos(math.radians(plan.declination_deg)), _LEAST_COSINE)
