"""The watch by simulation: false alarms in quiet nights, and how soon a bump is noticed.

A night: seven hours, frames of 180 s, a new target about every two hours with another declination,
a meridian flip, dithers of up to 15 arcsec that no mount tells of, go-tos to put a target back in
the middle (with and without a sync), a worm of 10 arcsec, guided or not, an axis 1.5 arcmin off
and known to 15 arcsec, a head that sags by 20 arcsec in the night, a camera that turns by 6 arcsec
an hour on its tube, one frame in a hundred solved wrongly by 20 to 120 arcsec.
"""

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from polewright.core.axis.axis_moved import AxisMoved, Seen
from polewright.core.axis.axis_watch import AxisWatch
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.tolerance import SIDEREAL_RATE_RAD_S
from polewright.core.geometry.directions import ARCMIN_RAD, ARCSEC_RAD, enu_from_altaz, sky_tangents

DUSK = datetime(2026, 11, 25, 18, 0, tzinfo=UTC)
FRAME_S = 180.0
HOURS = 7.0
# What makes up a frame's noise: stars (roll, direction), and what wind and seeing add (arcsec).
ROLL, CENTRE = 6.0, 0.5
NOTICED_OF_100 = 99
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Night:
    """What goes on; ``bump_rad`` moves the axis at one instant, ``creep_rad`` over the night."""

    bump_rad: float = 0.0
    creep_rad: float = 0.0
    guided: bool = True
    pulled_back: bool = False
    linked: bool = True
    recentring: bool = True


def run(*, quick: bool) -> dict[str, Any]:
    """Simulate quiet nights and bumped ones."""
    nights = 15 if quick else 100
    missed: list[str] = []
    figures: dict[str, Any] = {}
    for name, night in (
        ("guided, mount linked", Night()),
        ("unguided, mount linked", Night(guided=False)),
        ("guided, no mount linked", Night(linked=False)),
    ):
        alarms = [len(_alarms(seed, night)[0]) for seed in range(nights)]
        figures[f"false alarms, {name}"] = false = int(np.sum(alarms))
        print(f"{nights} quiet nights, {name}: {false} alarms")
        if false:
            missed.append(f"{false} false alarms in {nights} nights, {name}")
    for name, night, wanted in (
        ("1 arcmin, mount linked", Night(bump_rad=ARCMIN_RAD), True),
        ("1 arcmin, unguided", Night(bump_rad=ARCMIN_RAD, guided=False), True),
        ("1 arcmin, guider pulls it back", Night(bump_rad=ARCMIN_RAD, pulled_back=True), False),
        ("1 arcmin, no mount linked", Night(bump_rad=ARCMIN_RAD, linked=False), False),
        ("3 arcmin, no mount linked", Night(bump_rad=3 * ARCMIN_RAD, linked=False), False),
    ):
        soon, off = [], []
        for seed in range(nights):
            alarms_of_night, frame, truth = _alarms(1000 + seed, night)
            near = [one for one in alarms_of_night if frame <= one[0] < frame + 3]
            soon.append(bool(near))
            if near:
                off.append(_misses(near[0][1], truth))
        share = 100.0 * float(np.mean(soon))
        within = float(np.mean(np.array(off) <= 2.45)) if off else math.nan
        figures[f"noticed within 3 frames, {name} (percent)"] = share
        figures[f"told within 2 sigma, {name}"] = within
        print(f"{name}: noticed within 3 frames in {share:.0f} %; told within 95 %: {within:.2f}")
        if wanted and share < NOTICED_OF_100 - (100.0 / nights if quick else 0.0):
            missed.append(f"{name}: noticed in {share:.0f} %")
    for arcmin in (3.0, 6.0):
        night = Night(creep_rad=arcmin * ARCMIN_RAD)
        seen = [bool(_alarms(2000 + seed, night)[0]) for seed in range(nights)]
        figures[f"creep of {arcmin:.0f} arcmin noticed (percent)"] = 100.0 * float(np.mean(seen))
        print(f"an axis that creeps by {arcmin:.0f} arcmin in the night: {np.mean(seen):.2f} seen")
    figures["missed"] = missed
    return figures


def _misses(moved: AxisMoved, truth: Array) -> float:
    """Return the distance from the truth in sigmas of two components (95 %: 2.45)."""
    off = moved.move_rad - truth
    return math.sqrt(float(off @ np.linalg.solve(moved.covariance_rad2, off)))


def _alarms(seed: int, night: Night) -> tuple[list[tuple[int, AxisMoved]], int, Array]:
    """Return alarms with their frames' numbers, the first frame after the bump, and its move."""
    rng = np.random.default_rng(seed)
    frames, axis, bumped, move = simulated(rng, night)
    known = axis + rng.normal(size=3) * 15.0 * ARCSEC_RAD
    watch = AxisWatch(
        axis_enu=known / np.linalg.norm(known),
        covariance_rad2=np.eye(2) * (15.0 * ARCSEC_RAD) ** 2,
        south=True,
    )
    found = [(number, watch.see(seen)) for number, seen in enumerate(frames)]
    return [(number, moved) for number, moved in found if moved is not None], bumped, move


def simulated(rng: np.random.Generator, night: Night) -> tuple[list[Seen], Array, int, Array]:
    """Return a night's frames, the axis at dusk, the first frame after the bump, and its move."""
    pole = enu_from_altaz(math.radians(32.4), math.pi)
    one, other = sky_tangents(pole)
    off = rng.normal(size=2) * 1.1 * ARCMIN_RAD
    axis = pole + off[0] * one + off[1] * other
    axis /= np.linalg.norm(axis)
    count = int(HOURS * 3600.0 / FRAME_S)
    changes = _changes(rng, count, night)
    # Not in the first frames after a go-to: there nothing can be seen, and that is said.
    allowed = [
        i for i in range(8, count - 4)
        if all(i + d not in changes for d in range(-4, 4))
    ]  # fmt: skip
    bumped = int(rng.choice(allowed))
    way = rng.uniform(0.0, 2.0 * math.pi)
    move = night.bump_rad * np.array([math.cos(way), math.sin(way)])
    bump = np.cross(axis, move[0] * sky_tangents(axis)[0] + move[1] * sky_tangents(axis)[1])
    sag = rng.normal(size=3)
    sag *= 20.0 * ARCSEC_RAD / np.linalg.norm(sag) / HOURS
    creep_way = np.cross(axis, rng.normal(size=3))
    creep = night.creep_rad * creep_way / np.linalg.norm(creep_way) / HOURS
    target = _Target.pick(rng, 0.0)
    offset, frames = np.zeros(2), []
    for number in range(count):
        hours = number * FRAME_S / 3600.0
        alone: bool | None = True
        if (change := changes.get(number)) is not None:
            alone = False
            if change == "target":
                target, offset = _Target.pick(rng, hours), np.zeros(2)
            elif change == "flip":
                target = replace(target, flipped=not target.flipped)
            else:
                offset = offset + rng.uniform(-1.5, 1.5, size=2) * ARCMIN_RAD
        head = before = Rotation.from_rotvec((sag + creep) * hours)
        if number >= bumped:
            head = head * Rotation.from_rotvec(bump)
        dither = rng.uniform(-15.0, 15.0, size=2) * ARCSEC_RAD
        seen = _attitude(rng, axis, target, number, offset + dither, head, before, night, bumped)
        frames.append(Seen(observed=seen, left_alone=alone if night.linked else None))
    return frames, axis, bumped, move


def _changes(rng: np.random.Generator, count: int, night: Night) -> dict[int, str]:
    """Return what happens before which frame."""
    changes: dict[int, str] = {}
    for start in range(40, count - 10, 40):
        changes[start + int(rng.integers(-8, 9))] = "target"
    changes[int(rng.integers(60, 80))] = "flip"
    if night.recentring:
        for _ in range(5):
            changes.setdefault(int(rng.integers(5, count - 5)), "recentre")
    return changes


@dataclass(frozen=True)
class _Target:
    hour_rad: float
    declination_rad: float
    flipped: bool = False

    @classmethod
    def pick(cls, rng: np.random.Generator, hours: float) -> "_Target":
        return cls(
            math.radians(rng.uniform(-60.0, 40.0)) - math.radians(15.0 * hours),
            math.radians(rng.uniform(-75.0, 15.0)),
            bool(rng.integers(2)),
        )


def _attitude(
    rng: np.random.Generator,
    axis: Array,
    target: _Target,
    number: int,
    offset: Array,
    head: Rotation,
    head_before: Rotation,
    night: Night,
    bumped: int,
) -> ObservedAttitude:
    time_s = number * FRAME_S
    north_end = -axis
    up = np.array([0.0, 0.0, 1.0])
    meridian = up - (up @ north_end) * north_end
    meridian /= np.linalg.norm(meridian)
    across = np.cross(north_end, meridian)
    start = np.column_stack([meridian, across, np.cross(meridian, across)])
    worm = 10.0 * ARCSEC_RAD * math.sin(2.0 * math.pi * time_s / 480.0)
    declination = target.declination_rad + float(offset[1])
    if night.guided:
        # The declination axis undoes what axis and head do, and the bump too if it is followed.
        follows = night.pulled_back or number < bumped
        declination += _guiding(
            target, time_s, offset, start, axis, head if follows else head_before
        )
    turn = -SIDEREAL_RATE_RAD_S * time_s - target.hour_rad + worm + float(offset[0])
    tilt = np.array([0.0, -declination, 0.0])
    body = (
        Rotation.from_matrix(start)
        * Rotation.from_rotvec(tilt)
        * Rotation.from_rotvec([math.pi if target.flipped else 0.0, 0.0, 0.0])
        * Rotation.from_rotvec([6.0 * ARCSEC_RAD * time_s / 3600.0, 0.0, 0.0])
    )
    noise = rng.normal(size=3) * np.array([ROLL, CENTRE, CENTRE]) * ARCSEC_RAD
    if rng.uniform() < 0.01:
        noise += rng.normal(size=3) / math.sqrt(3.0) * rng.uniform(20.0, 120.0) * ARCSEC_RAD
    seen = head * Rotation.from_rotvec(turn * north_end) * body * Rotation.from_rotvec(noise)
    return ObservedAttitude(
        enu_from_camera=seen.as_matrix(),
        covariance_camera_rad2=np.diag([ROLL**2, 0.2**2, 0.2**2]) * ARCSEC_RAD**2,
        instant=DUSK + timedelta(seconds=time_s),
    )


def _guiding(
    target: _Target, time_s: float, offset: Array, start: Array, axis: Array, head: Rotation
) -> float:
    """Return how far the declination axis must turn to stay on the target in the sky (rad)."""
    pole = enu_from_altaz(math.radians(32.4), math.pi)
    turn = -SIDEREAL_RATE_RAD_S * time_s
    tilted = Rotation.from_rotvec([0.0, -(target.declination_rad + float(offset[1])), 0.0])
    first = Rotation.from_matrix(start) * tilted
    to_target = Rotation.from_rotvec((target.hour_rad - float(offset[0])) * axis)
    frame = (head * Rotation.from_rotvec(-turn * axis) * to_target * first).as_matrix()
    sky = (Rotation.from_rotvec(-turn * pole) * to_target * first).as_matrix()[:, 0]
    return float(sky @ frame[:, 2])
