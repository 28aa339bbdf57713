"""Cautions: what a person should know of a plan before the night comes."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.tolerance import gears_wander_more, smear_px, tolerance_for
from polewright.core.plan.evening_plan import PlannedTrain, PlanWarning
from polewright.core.plan.sky_target import SkyTarget
from polewright.core.plan.window import Window
from polewright.core.sky.bodies import body_at
from polewright.core.sky.ephemeris import Body
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.place import Place
from polewright.core.sky.sun import SUN_HARMLESS_BELOW_RAD

STEP = timedelta(minutes=10)
"""Targets, Moon and Sun are looked at so often: in between the sky turns by 2.5 deg."""
MOON_NEAR_DEG = 30.0
"""Nearer than this a lit Moon brightens the picture unevenly (rule of thumb, no source)."""
MOON_LIT = 0.1
"""A Moon that is lit less does not matter (rule of thumb, no source)."""

ROUNDING = 1.001
"""A plan whose tolerance is exactly reached allows its smear, but for rounding."""

AboveFloor = Callable[[NDArray[np.float64]], NDArray[np.float64]]
"""Takes directions (n x 3, East-North-Up), gives how far above floor and horizon they are (deg)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outlook:
    """What stands where in the window, at some instants.

    Attributes
    ----------
    instants : tuple of datetime
        Aware UTC instants.
    targets_enu : ndarray of shape (instants, targets, 3)
        Where the targets are seen.
    moon_enu, sun_enu : ndarray of shape (instants, 3)
        Where Moon and Sun are seen; the Sun without the air.
    moon_lit : float
        Part of the Moon that is lit, in the middle of the window.
    """

    instants: tuple[datetime, ...]
    targets_enu: NDArray[np.float64]
    moon_enu: NDArray[np.float64]
    sun_enu: NDArray[np.float64]
    moon_lit: float


def outlook(targets: Sequence[SkyTarget], window: Window, place: Place) -> Outlook:
    """Return where targets, Moon and Sun stand in a window."""
    instants = window.instants(STEP)
    directions = np.stack([target.direction_icrs for target in targets])
    airless = replace(place, pressure_hpa=0.0)
    seen, moons, suns, lit = [], [], [], []
    for instant in instants:
        moment = ObservingMoment.at(place, instant)
        seen.append(moment.enu_from_icrs(directions))
        moon = body_at(Body.MOON, moment)
        moons.append(moon.direction_enu)
        lit.append(moon.illuminated_fraction)
        suns.append(body_at(Body.SUN, ObservingMoment.at(airless, instant)).direction_enu)
    return Outlook(
        instants=instants,
        targets_enu=np.stack(seen),
        moon_enu=np.stack(moons),
        sun_enu=np.stack(suns),
        moon_lit=lit[len(lit) // 2],
    )


def sky_warnings(
    targets: Sequence[SkyTarget],
    view: Outlook,
    above_floor: AboveFloor,
    sun_cone_deg: float,
    zone: tzinfo,
) -> list[PlanWarning]:
    """Return what stands in the way of the targets: floor and horizon, Moon, Sun."""
    found = []
    sun_harms = view.sun_enu[:, 2] > math.sin(SUN_HARMLESS_BELOW_RAD)
    for index, target in enumerate(targets):
        directions = view.targets_enu[:, index]
        up = above_floor(directions) >= 0.0
        found += _height(target, up, view.instants, zone)
        sun = _separations_deg(directions, view.sun_enu)
        if np.any(near := sun_harms & (sun < sun_cone_deg)):
            at = int(np.argmin(np.where(near, sun, np.inf)))
            found.append(
                PlanWarning(
                    code="plan_near_sun",
                    text=f"DANGER: {target.name} comes within {sun[at]:.0f} deg of the Sun, at "
                    f"{_clock(view.instants[at], zone)}: sunlight in the tube blinds and burns",
                    remedy="Choose another target or another window; without a solar filter "
                    "nothing is sent there.",
                )
            )
        moon_up = view.moon_enu[:, 2] > 0.0
        moon = _separations_deg(directions, view.moon_enu)
        if view.moon_lit >= MOON_LIT and np.any(near := up & moon_up & (moon < MOON_NEAR_DEG)):
            at = int(np.argmin(np.where(near, moon, np.inf)))
            found.append(
                PlanWarning(
                    code="plan_near_moon",
                    text=f"the Moon, {100.0 * view.moon_lit:.0f} % lit, is {moon[at]:.0f} deg from "
                    f"{target.name} at {_clock(view.instants[at], zone)}",
                    remedy="Expect a bright, uneven sky; or choose another target or night.",
                )
            )
    return found


def train_warnings(
    trains: Sequence[PlannedTrain], declinations_deg: Sequence[float]
) -> list[PlanWarning]:
    """Return what no axis can make good for a train, however well it is aligned."""
    found = []
    for train in trains:
        worst = max(declinations_deg, key=abs)
        plan = train.exposure(worst)
        smear = smear_px(plan, tolerance_for(plan).error_rad)
        name = f"{train.name}: " if train.name else ""
        remedy = (
            "Take shorter exposures, or a guide star nearer to the target."
            if train.guided
            else "Guide (--guided), or take shorter exposures."
        )
        if smear > train.allowed_px * ROUNDING:
            found.append(
                PlanWarning(
                    code="plan_too_fine",
                    text=f"{name}no axis is held as well as {train.exposure_s:g} s at "
                    f"{train.focal_length_mm:g} mm ask: even then a star smears over {smear:.1f} "
                    f"px, and {train.allowed_px:g} are allowed",
                    remedy=remedy,
                )
            )
        elif gears_wander_more(plan):
            found.append(
                PlanWarning(
                    code="plan_needs_guiding",
                    text=f"{name}{train.exposure_s:g} s at {train.focal_length_mm:g} mm without "
                    "guiding ask for more than most mounts' gears do alone, however good the axis",
                    remedy=remedy,
                )
            )
    return found


def _height(
    target: SkyTarget, up: NDArray[np.bool_], instants: Sequence[datetime], zone: tzinfo
) -> list[PlanWarning]:
    if bool(np.all(up)):
        return []
    if not np.any(up):
        text = f"{target.name} stays below the altitude floor or the horizon all through the window"
    else:
        spells = " and ".join(_spells(up, instants, zone))
        text = f"{target.name} stands above the altitude floor and the horizon only {spells}"
    return [
        PlanWarning(
            code="plan_target_low",
            text=text,
            remedy="Choose another target or window; floor and horizon are as [safety] says.",
        )
    ]


def _spells(up: NDArray[np.bool_], instants: Sequence[datetime], zone: tzinfo) -> list[str]:
    """Return the stretches of time in which something is up, in words."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], up, [False]]).astype(int)))
    return [
        f"{_clock(instants[first], zone)} to {_clock(instants[last - 1], zone)}"
        for first, last in zip(edges[::2], edges[1::2], strict=True)
    ]


def _separations_deg(some: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.float64]:
    across = np.linalg.norm(np.cross(some, others), axis=1)
    return np.asarray(np.degrees(np.arctan2(across, np.sum(some * others, axis=1))))


def _clock(instant: datetime, zone: tzinfo) -> str:
    return f"{instant.astimezone(zone):%H:%M}"
