"""Spoiled surveys: wrong solves, slips, bumps, swapped cameras, rotators, flips, wrong clocks.

The session's own surveys are run, by motors and by hand, with their plans, further frames and
decisions; only mount, camera and sky are made up.  For each random one: was the axis called
``good_enough`` though it is really outside the tolerance by more than three of the sigmas that were
reported?  Slips and bumps smaller than a survey can see (docs: how it works) are counted apart,
with how far off they led.
"""

import asyncio
import logging
import math
from collections import Counter
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from polewright.core.axis.correction import Verdict, judge
from polewright.core.axis.estimate import SUSPICIOUS_MISFIT_PROBABILITY
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.survey import solve_axis
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import ARCSEC_RAD, altaz_from_enu, angle_between
from polewright.core.sky.mount_frame import right_ascension_deg
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place
from polewright.ports import MountStatus, PierSide
from polewright.session.hand_survey import run_hand_survey
from polewright.session.survey import SurveyScene, SurveyWish, run_survey
from tests.unit.core.axis.skies import INSTANT, first_attitude

TOLERANCE_RAD = 60.0 * ARCSEC_RAD
FLOOR_ARCSEC = 3.0
# A bump or slip below this is not promised to be seen: docs, how it works.
DETECTABLE_ARCSEC = 100.0
# Of the sigma that a survey is asked for, as the evening has it: a fifth of the tolerance.
WISH_ARCSEC = 12.0
# One survey in so many is turned by hand.
BY_HAND_EVERY = 4
X = np.array([1.0, 0.0, 0.0])
MANY = 10_000

KINDS = (
    "none",
    "wrong solve",
    "cloud",
    "declination slip",
    "bumped tripod",
    "swapped camera",
    "wrong clock",
    "wrong hemisphere",
    "rotator",
    "rolling picture",
    "over the pier, told",
    "over the pier, silent",
)


@dataclass(frozen=True)
class Outcome:
    kind: str
    by_hand: bool
    small: bool
    size_arcsec: float
    verdict: str
    true_arcsec: float
    sigma_arcsec: float
    naively_false: bool

    @property
    def false(self) -> bool:
        """Said good enough, and is outside by more than three sigmas."""
        return (
            self.verdict == Verdict.GOOD_ENOUGH.value
            and self.true_arcsec - 3.0 * self.sigma_arcsec > TOLERANCE_RAD / ARCSEC_RAD
        )


def _turn(vector: NDArray[Any]) -> NDArray[Any]:
    return np.asarray(Rotation.from_rotvec(vector).as_matrix())


@dataclass
class Sky:
    """What a camera on a spoilt mount shows, place after place."""

    rng: np.random.Generator
    kind: str
    place: Place
    pole: NDArray[Any]
    axis: NDArray[Any]
    start: NDArray[Any]
    sigma: NDArray[Any]
    size: float
    at: int
    flip_rad: float
    happened: bool = False
    frames: list[ObservedAttitude] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = self.rng
        self.axis_now = self.axis
        self.bump = _turn(self.size * _unit(rng))
        self.swap = _turn(rng.normal(size=3) * 0.3)
        self.clock = _turn(self.pole * float(rng.uniform(-1, 1)) * math.radians(15.0 * 6.0))
        self.drift = float(rng.choice([-1.0, 1.0]) * rng.uniform(0.001, 0.3))
        self.wild = float(rng.choice([0.05, 1.0, math.pi]))
        crossed = np.cross(self.start.T @ self.axis, X)
        self.declination_axis = crossed / max(float(np.linalg.norm(crossed)), 1e-9)
        # Cone and zero point of declination: nothing on one side, twice as much on the other.
        self.other_side = _turn(rng.normal(size=3) * 120.0 * ARCSEC_RAD)

    def beyond(self, turn_rad: float) -> bool:
        """Return whether the tube is on the other side of the pier here."""
        return self.kind.startswith("over the pier") and abs(turn_rad) > self.flip_rad

    def look(self, index: int, turn_rad: float) -> ObservedAttitude:
        """Return what the frame at this place shows; a cloud raises."""
        kind, rng = self.kind, self.rng
        later, here = index >= self.at, index == self.at
        self.happened |= {
            "declination slip": later, "bumped tripod": later, "swapped camera": later,
            "wrong solve": here, "cloud": here, "over the pier, told": self.beyond(turn_rad),
            "over the pier, silent": self.beyond(turn_rad),
        }.get(kind, True)  # fmt: skip
        if kind == "cloud" and here:
            raise MeasurementError("no stars", remedy="Wait.", code="too_few_stars")
        attitude = _turn(self.axis * turn_rad) @ self.start
        match kind:
            case "declination slip" if later:
                attitude = attitude @ _turn(self.declination_axis * self.size)
            case "bumped tripod" if later:
                attitude, self.axis_now = self.bump @ attitude, self.bump @ self.axis
            case "swapped camera" if later:
                attitude = attitude @ self.swap
            case "wrong solve" if here:
                far = 1.0 if rng.random() < 0.7 else 60.0
                attitude = attitude @ _turn(self.size * _unit(rng) * far)
            case "wrong clock":
                # The whole sky is taken to be turned about the pole: the truth turns with it.
                attitude = self.clock @ attitude
            case "wrong hemisphere":
                # Turned into the wrong hemisphere's ground: most lie below its horizon, which is
                # refused at the frame; the rest is measured against the wrong pole.
                attitude = _turn(X * (math.pi / 2.0)) @ attitude
                if altaz_from_enu(attitude[:, 0])[0] < 0.0:
                    raise MeasurementError("below", remedy="Look.", code="below_horizon")
            case "rotator":
                attitude = attitude @ _turn(X * float(rng.uniform(-self.wild, self.wild)))
            case "rolling picture":
                attitude = attitude @ _turn(X * (self.drift * turn_rad))
        if self.beyond(turn_rad):
            attitude = attitude @ _turn(X * math.pi) @ self.other_side
        noise = rng.normal(size=3) * np.hypot(self.sigma, FLOOR_ARCSEC * ARCSEC_RAD)
        frame = ObservedAttitude(
            enu_from_camera=attitude @ _turn(noise),
            covariance_camera_rad2=np.diag(self.sigma**2),
            instant=INSTANT,
            label=f"frame {len(self.frames) + 1}",
        )
        self.frames.append(frame)
        return frame


class SpoiltMount:
    """Goes where it is told, and tells its side of the pier where the kind has it."""

    name = "Kudu"

    def __init__(self, sky: Sky, hour_angle: float) -> None:
        self.sky, self.hour_angle = sky, hour_angle
        self.begin: float | None = None
        self.places = -1

    @property
    def turn_rad(self) -> float:
        sense = 1.0 if self.sky.place.south else -1.0
        return sense * math.radians(self.hour_angle - (self.begin or 0.0))

    def require_clear(self) -> None:
        return None

    def may_point(self, hour_angle: float, declination: float) -> bool:
        return True

    async def status(self) -> MountStatus:
        told = self.sky.kind == "over the pier, told" and self.begin is not None
        side = PierSide.EAST if told and self.sky.beyond(self.turn_rad) else PierSide.WEST
        first = right_ascension_deg(self.hour_angle, INSTANT, self.sky.place)
        return MountStatus(
            right_ascension_deg=first if self.begin is None else None,
            declination_deg=0.0,
            slewing=False,
            tracking=True,
            parked=False,
            pier_side=side if told else PierSide.UNKNOWN,
        )

    async def turn_to(self, hour_angle: float, declination: float) -> None:
        self.hour_angle = hour_angle
        if self.begin is None:
            self.begin = hour_angle
        self.places += 1

    def halt(self) -> None:
        return None

    async def abort(self) -> None:
        return None


class Looks:
    """Measures frames of a spoilt sky: where the mount stands, or as somebody turns by hand."""

    def __init__(self, sky: Sky, mount: SpoiltMount | None, step_rad: float) -> None:
        self._sky, self._mount, self._step_rad = sky, mount, step_rad
        self._seen: tuple[int, Any] = (-1, None)
        self.taken = 0

    def forget_optics(self) -> None:
        return None

    async def measure(self, exposure_s: float, direction: Any = None) -> Any:
        self.taken += 1
        if self._mount is not None:
            observed = self._sky.look(self._mount.places, self._mount.turn_rad)
        else:
            # Two looks at every place, which show that it rests.
            place = (self.taken - 1) // 2
            if self._seen[0] != place:
                self._seen = (place, None)
                self._seen = (place, self._sky.look(place, place * self._step_rad))
            observed = self._seen[1]
            if observed is None:
                raise MeasurementError("no stars", remedy="Wait.", code="too_few_stars")
        return SimpleNamespace(observed=observed, attitude=SimpleNamespace(elongation=1.0))


class QuickClock:
    """Waits pass at once, and the sky stands still meanwhile."""

    def __init__(self) -> None:
        self.elapsed_s = 0.0

    def now(self) -> datetime:
        return INSTANT

    def monotonic(self) -> float:
        self.elapsed_s += 5.0  # whoever looks at the clock has taken a frame
        return self.elapsed_s

    async def sleep(self, duration_s: float) -> None:
        self.elapsed_s += duration_s


async def spoil(rng: np.random.Generator, kind: str, *, by_hand: bool) -> Outcome:
    """Make one survey of that kind and judge it."""
    place = Place(latitude_deg=float(rng.choice([20, -20, 35, -35, 50, -50])), longitude_deg=20.0)
    pole = pole_enu(place, refracted=True)
    way = np.cross(pole, _turn(rng.normal(size=3)) @ X)
    way /= np.linalg.norm(way)
    # Half of the axes are near the tolerance, where a false verdict is easiest.
    low, high = (20.0, 120.0) if rng.random() < 0.5 else (5.0, 7200.0)
    if kind == "bumped tripod" and rng.random() < 0.5:
        low, high = 1.0, 40.0  # good before the bump: the hardest to refuse afterwards
    error = math.exp(rng.uniform(math.log(low), math.log(high))) * ARCSEC_RAD
    axis = _turn(error * way) @ pole
    count = int(rng.integers(3, 7))
    sweep_deg = float(rng.uniform(20.0, 90.0))
    size = math.exp(rng.uniform(math.log(5.0), math.log(3600.0))) * ARCSEC_RAD
    sky = Sky(
        rng=rng,
        kind=kind,
        place=place,
        pole=pole,
        axis=axis,
        start=first_attitude(axis, float(rng.uniform(0.0, 89.0)), float(rng.uniform(-180, 180))),
        sigma=np.array([rng.uniform(5, 60), 0.5, 0.5]) * ARCSEC_RAD,
        size=size,
        at=int(rng.integers(0 if kind == "wrong solve" else 1, count)),
        flip_rad=math.radians(float(rng.uniform(0.0, 0.9)) * sweep_deg),
    )
    mount = None if by_hand else SpoiltMount(sky, float(rng.uniform(-85.0, 85.0)))
    step = math.radians(float(rng.uniform(9.0, 20.0)) * rng.choice([-1.0, 1.0]))
    scene = SurveyScene(
        mount=mount,  # type: ignore[arg-type]
        measurer=Looks(sky, mount, step),  # type: ignore[arg-type]
        place=place,
        clock=QuickClock(),
        wish=SurveyWish(
            frames=count,
            sweep_deg=sweep_deg,
            wish_arcsec=WISH_ARCSEC,
            cross_meridian=True,
            mechanical_floor_arcsec=FLOOR_ARCSEC,
        ),
        progress=lambda step, frames, percent: None,
        exposures=None,  # type: ignore[arg-type]
    )
    sigma = 0.0
    try:
        estimate = (await (run_hand_survey if by_hand else run_survey)(scene)).estimate
    except MeasurementError as refused:
        verdict = refused.code
    else:
        sigma = estimate.sigma_rad
        total = angle_between(estimate.axis_enu, pole)
        verdict = judge(total, sigma, TOLERANCE_RAD, trustworthy=estimate.consistent).value
    small = kind in ("declination slip", "bumped tripod") and size < DETECTABLE_ARCSEC * ARCSEC_RAD
    outcome = Outcome(
        kind=kind if sky.happened else "none",  # the survey was over before
        by_hand=by_hand,
        small=small and sky.happened,
        size_arcsec=size / ARCSEC_RAD,
        verdict=verdict,
        true_arcsec=angle_between(sky.axis_now, pole) / ARCSEC_RAD,
        sigma_arcsec=sigma / ARCSEC_RAD,
        naively_false=False,
    )
    naive, naive_sigma = _judge_naively(sky.frames, pole)
    control = replace(outcome, verdict=naive, sigma_arcsec=naive_sigma / ARCSEC_RAD)
    return replace(outcome, naively_false=control.false)


class AtOnce(ThreadPoolExecutor):
    """Does its work where it is asked to: threads would only wait for one another here."""

    def submit(self, work: Any, /, *arguments: Any, **named: Any) -> Future[Any]:
        done: Future[Any] = Future()
        try:
            done.set_result(work(*arguments, **named))
        except Exception as trouble:
            done.set_exception(trouble)
        return done


async def _spoil_all(rng: np.random.Generator, count: int) -> list[Outcome]:
    """Spoil surveys of every kind, in turn by motors and by hand."""
    asyncio.get_running_loop().set_default_executor(AtOnce())
    return [
        await spoil(
            rng, KINDS[index % len(KINDS)], by_hand=index // len(KINDS) % BY_HAND_EVERY == 0
        )
        for index in range(count)
    ]


def _judge_naively(frames: list[ObservedAttitude], pole: NDArray[Any]) -> tuple[str, float]:
    """Judge by the same estimate without looking at the misfit: the control of this bench."""
    estimate, why = None, ""
    for use_roll in (True, False):
        try:
            estimate = solve_axis(frames, mechanical_floor_arcsec=FLOOR_ARCSEC, use_roll=use_roll)
            break
        except MeasurementError as refused:
            why = refused.code
    if estimate is None:
        return why, 0.0
    sigma = estimate.sigma_rad
    if estimate.degrees_of_freedom and estimate.misfit_probability < SUSPICIOUS_MISFIT_PROBABILITY:
        sigma /= math.sqrt(estimate.chi2 / estimate.degrees_of_freedom)
    total = angle_between(estimate.axis_enu, pole)
    return judge(total, sigma, TOLERANCE_RAD, trustworthy=True).value, sigma


def _unit(rng: np.random.Generator) -> NDArray[Any]:
    vector = rng.normal(size=3)
    return np.asarray(vector / np.linalg.norm(vector))


def run(*, quick: bool = False) -> dict[str, Any]:
    """Spoil, judge, print, and return the figures."""
    count = 400 if quick else MANY
    logging.getLogger("polewright").setLevel(logging.ERROR)  # they warn of what is spoilt here
    outcomes = asyncio.run(_spoil_all(np.random.default_rng(12), count))
    print(f"{'kind':>24} {'surveys':>7} {'good':>6} {'not yet':>7} {'cannot':>6} {'refused':>7} "
          f"{'false':>5}")  # fmt: skip
    figures: dict[str, Any] = {"surveys": count}
    for kind in KINDS:
        for small in (False, True):
            chosen = [one for one in outcomes if (one.kind, one.small) == (kind, small)]
            if not chosen:
                continue
            tally = Counter(one.verdict for one in chosen)
            said = [tally.pop(verdict.value, 0) for verdict in Verdict]
            lies = sum(one.false for one in chosen)
            name = f"{kind} (small)" if small else kind
            print(f"{name:>24} {len(chosen):7d} {said[0]:6d} {said[1]:7d} {said[2]:6d} "
                  f"{sum(tally.values()):7d} {lies:5d}")  # fmt: skip
            figures[name] = {"surveys": len(chosen), "good": said[0], "false": lies}
    honest = [one for one in outcomes if not one.small]
    false = [one for one in honest if one.false]
    slight = [one for one in outcomes if one.small and one.false]
    worst = max((one.true_arcsec for one in slight), default=0.0)
    print(
        f"{len(honest)} spoiled surveys: {len(false)} falsely good enough; apart from those, "
        f"{len(slight)} of {sum(one.small for one in outcomes)} with a slip or bump under "
        f"{DETECTABLE_ARCSEC:.0f} arcsec (worst true error {worst:.0f} arcsec)"
    )
    control = sum(one.naively_false for one in honest)
    print(f"control: without the misfit test {control} of them would be falsely good enough")
    figures["control_without_misfit_test"] = control
    figures["false_good_enough"] = len(false)
    figures["false_with_small_motion"] = len(slight)
    figures["worst_true_with_small_motion_arcsec"] = worst
    figures["missed"] = [
        f"{one.kind}{', by hand' if one.by_hand else ''}: good enough at a true "
        f"{one.true_arcsec:.0f} arcsec (sigma {one.sigma_arcsec:.1f}, size {one.size_arcsec:.0f})"
        for one in false[:10]
    ] + ([] if control or quick else ["the control finds nothing either: this bench cannot fail"])
    return figures
