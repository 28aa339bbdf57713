"""The survey: turn in right ascension, take frames, and find the axis that they share.

The plan follows what is seen: the first frame tells how good frames are here, the forecast how
few of them over how small a turn reach the wish, and each further frame whether to stop.
"""

import asyncio
import logging
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.forecast import choose_turns, further_frame
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.plan import plan_sweep, safe_range, widest_gap
from polewright.core.axis.weighing import (
    FEWEST_PLACES,
    SurveyFrame,
    Weighed,
    WeighingRules,
    blames_roll,
    other_side,
    still_in_doubt,
    weigh,
)
from polewright.core.errors import DeviceError, MeasurementError, PolewrightError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.sky.mount_frame import hour_angle_deg
from polewright.core.sky.observed import pole_enu
from polewright.core.sky.place import Place
from polewright.ports import Clock, MountStatus, PierSide
from polewright.session.exposing import ExposureFinder
from polewright.session.frames_at_rest import FramesAtRest
from polewright.session.measuring import FrameMeasurer
from polewright.session.safety import GuardedMount
from polewright.session.stopping import stop_shielded

_log = logging.getLogger(__name__)

Progress = Callable[[str, int, int], None]
"""Called with the step in words, frames taken and percent done."""

# Places this near to each other are one (deg).
_SAME_PLACE_DEG = 0.1
# When frames disagree this many more are taken before the survey gives up.
_MOST_EXTRA_FRAMES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyWish:
    """How to survey (settings: ``[survey]`` and ``[safety]``).

    ``frames`` and ``sweep_deg`` are the most that may be used; ``wish_arcsec`` is the sigma at
    which fewer are enough.  ``exposure_s`` None: found at the first place.  ``use_roll`` None:
    trusted until the frames show otherwise.
    """

    frames: int = 5
    sweep_deg: float = 60.0
    wish_arcsec: float = 12.0
    exposure_s: float | None = 1.0
    settle_s: float = 0.5
    hour_angle_min_deg: float = -85.0
    hour_angle_max_deg: float = 85.0
    meridian_margin_deg: float = 2.0
    cross_meridian: bool = False
    mechanical_floor_arcsec: float = 3.0
    use_roll: bool | None = None

    def rules(self, place: Place) -> WeighingRules:
        """Return how frames that were taken at a place are weighed."""
        return WeighingRules(
            pole_enu=pole_enu(place, refracted=True),
            mechanical_floor_arcsec=self.mechanical_floor_arcsec,
            use_roll=self.use_roll,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyScene:
    """Who takes part in a survey."""

    mount: GuardedMount | None
    measurer: FrameMeasurer
    place: Place
    clock: Clock
    wish: SurveyWish
    progress: Progress
    exposures: ExposureFinder


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyOutcome:
    """The estimate, and the sigma that one more frame would have promised (rad).

    ``cut_short``: why the mount did not go on to the end; the frames before were enough.
    ``left_out``: so many frames before them do not count, since the tube went to the other side of
    the pier; ``side`` of the pier is that of the frames that do, where the mount says so.
    """

    estimate: AxisEstimate
    further_sigma_rad: float
    cut_short: PolewrightError | None = None
    left_out: int = 0
    side: PierSide = PierSide.UNKNOWN


def side_told(status: MountStatus) -> str:
    """Return the side of the pier for a frame that is taken now; empty where nobody tells it."""
    return "" if status.pier_side is PierSide.UNKNOWN else status.pier_side.value


def side_of(frame: SurveyFrame) -> PierSide:
    """Return the side of the pier on which a frame was taken."""
    return PierSide(frame.side or PierSide.UNKNOWN)


async def run_survey(scene: SurveyScene) -> SurveyOutcome:
    """Survey the axis by turning the mount, which ends where it started.

    A mount that fails on the way is stopped and stands where it was then; the frames before
    answer, where they are enough for an answer that checks itself.

    Raises
    ------
    MeasurementError
        What moved, where the frames disagree; ``too_few_frames``; what solving raises.  The mount
        is back where it started, where it could be.
    SafetyError, DeviceError, LinkError
        A motion was refused or failed; the mount has been stopped and stands where it was then.
    """
    mount = scene.mount
    if mount is None:
        raise AssertionError("the caller checks that there is a mount")
    mount.require_clear()
    status = await mount.status()
    if status.right_ascension_deg is None or status.declination_deg is None:
        raise DeviceError(
            f"{mount.name} does not say where it points",
            remedy="Check its connection; or turn the axis yourself: polewright survey --by-hand.",
            code="position_unknown",
        )
    start = hour_angle_deg(status.right_ascension_deg, scene.clock.now(), scene.place)
    scene.measurer.forget_optics()
    sweep = _Sweep(scene, mount, status.declination_deg, start)
    try:
        try:
            outcome = await sweep.run()
        except MeasurementError as failure:
            # The frames failed, not the mount: it may go back.
            await _back_after(failure, scene, mount, start, status.declination_deg)
            raise
        if outcome.cut_short is not None:
            outcome = replace(outcome, cut_short=await stop_shielded(mount) or outcome.cut_short)
        else:
            # On the other side of the pier it stays on that side, where its answer holds.
            goal = sweep.first_place if outcome.left_out else start
            outcome = await _back_after_success(outcome, scene, mount, goal, sweep.declination)
    except BaseException as failure:
        not_stopped = await stop_shielded(mount)
        if not_stopped is not None and isinstance(failure, PolewrightError):
            raise not_stopped from failure
        raise
    return outcome


async def _turn_back(
    scene: SurveyScene, mount: GuardedMount, hour_angle: float, declination: float
) -> None:
    low, high = scene.wish.hour_angle_min_deg, scene.wish.hour_angle_max_deg
    await mount.turn_to(min(max(hour_angle, low), high), declination)


async def _back_after_success(
    outcome: SurveyOutcome,
    scene: SurveyScene,
    mount: GuardedMount,
    hour_angle: float,
    declination: float,
) -> SurveyOutcome:
    """Turn back; what was measured is not lost where the mount fails on its way back."""
    scene.progress("turning back to where it started", scene.measurer.taken, 95)
    try:
        await _turn_back(scene, mount, hour_angle, declination)
    except DeviceError as trouble:
        return replace(outcome, cut_short=await stop_shielded(mount) or trouble)
    return outcome


async def _back_after(
    failure: MeasurementError,
    scene: SurveyScene,
    mount: GuardedMount,
    hour_angle: float,
    declination: float,
) -> None:
    """Turn back after a failure of the frames; a mount that does not is stopped and told of."""
    scene.progress(f"turning back: {failure.text}", scene.measurer.taken, 95)
    try:
        await _turn_back(scene, mount, hour_angle, declination)
    except PolewrightError as trouble:
        _log.warning("the mount did not turn back to where it started: %s", trouble)


class _Sweep:
    """One sweep: the frames so far, and where the next one goes."""

    def __init__(
        self, scene: SurveyScene, mount: GuardedMount, declination: float, start: float
    ) -> None:
        self._scene = scene
        self._wish = scene.wish
        self._mount = mount
        self.declination = declination
        low, high = safe_range(
            min(max(start, self._wish.hour_angle_min_deg), self._wish.hour_angle_max_deg),
            low_deg=self._wish.hour_angle_min_deg,
            high_deg=self._wish.hour_angle_max_deg,
            is_safe=lambda hour_angle: mount.may_point(hour_angle, declination),
        )
        plan = plan_sweep(
            start,
            sweep_deg=self._wish.sweep_deg,
            frames=2,
            hour_angle_min_deg=low,
            hour_angle_max_deg=high,
            meridian_margin_deg=self._wish.meridian_margin_deg,
            cross_meridian=self._wish.cross_meridian,
        )
        self._begin, self._end = plan.hour_angles_deg
        self._taken: list[SurveyFrame] = []
        self._visited: list[float] = []
        self._left_out = 0
        self._rules = scene.wish.rules(scene.place)
        self._use_roll = self._wish.use_roll is not False
        self._trouble: MeasurementError | None = None
        self._frames = FramesAtRest(
            mount,
            scene.measurer,
            scene.exposures,
            scene.place,
            scene.clock,
            exposure_s=scene.wish.exposure_s,
            say=lambda words: self._say(words, 5),
        )
        self._refused: DeviceError | None = None

    @property
    def _kept(self) -> list[SurveyFrame]:
        """The frames that count."""
        return self._taken[self._left_out :]

    @property
    def first_place(self) -> float:
        """Hour angle of the first frame that counts (deg)."""
        return self._visited[self._left_out]

    async def run(self) -> SurveyOutcome:
        try:
            estimate = await self._swept()
        except DeviceError as trouble:
            if trouble is not self._refused or len(self._taken) < FEWEST_PLACES:
                raise
            estimate = await self._from_what_there_is(trouble)
        forecast = await asyncio.to_thread(
            further_frame,
            self._kept[0].attitude,
            estimate.axis_enu,
            [self._turn_rad(place) for place in self._visited[self._left_out :]],
            largest_turn_rad=self._turn_rad(self._end),
            mechanical_floor_arcsec=self._wish.mechanical_floor_arcsec,
            use_roll=estimate.roll_used,
        )
        return SurveyOutcome(
            estimate=estimate,
            further_sigma_rad=forecast.sigma_rad,
            cut_short=self._refused,
            left_out=self._left_out,
            side=side_of(self._taken[-1]),
        )

    async def _swept(self) -> AxisEstimate:
        """Visit place after place, as many as it takes."""
        await self._visit(self._begin)
        if not self._taken:
            raise self._trouble or AssertionError("a frame or a reason")
        await self._work_through(await self._planned())
        if len(self._taken) < FEWEST_PLACES:
            raise self._trouble or MeasurementError(
                f"only {len(self._taken)} frames were solved",
                remedy="Set [survey] frames to 3 or more, and wait for clear sky.",
                code="too_few_frames",
            )
        weighed = await self._weigh()
        extra = 0
        while not weighed.believable and extra < _MOST_EXTRA_FRAMES:
            extra += 1
            self._say("the frames disagree: taking one more", 90)
            await self._visit(self._doubted_place(weighed))
            weighed = await self._weigh()
        return weighed.believed() or await self._without_roll(weighed)

    def _doubted_place(self, weighed: Weighed) -> float:
        """Return where one more frame helps most, on the side of the pier where the tube is."""
        places = self._visited[weighed.left_out :]
        if max(places) - min(places) < _SAME_PLACE_DEG:
            if len({frame.side for frame in self._taken if frame.side}) > 1:
                raise other_side(self._taken, weighed)
            # Nobody said so: a picture that rolled by half a turn may be a wrong solution.
            places = [*self._visited, self._end]
        return widest_gap(places)

    async def _from_what_there_is(self, trouble: DeviceError) -> AxisEstimate:
        """Return the axis by the frames so far, with the sigma that they have; else the trouble."""
        try:
            estimate = (await self._weigh()).believed()
        except MeasurementError:
            raise trouble from None
        if estimate is None:
            raise trouble
        count = len(self._kept)
        _log.warning("%s; the %d frames so far answer", trouble.text, count)
        self._say(f"{trouble.text}: the {count} frames so far answer", 95)
        return estimate

    async def _planned(self) -> list[float]:
        """Return the hour angles still to visit."""
        forecast = await asyncio.to_thread(
            choose_turns,
            self._kept[0].attitude,
            self._rules.pole_enu,
            wish_rad=self._wish.wish_arcsec * ARCSEC_RAD,
            most_frames=self._wish.frames,
            largest_turn_rad=self._turn_rad(self._end),
            mechanical_floor_arcsec=self._wish.mechanical_floor_arcsec,
            use_roll=self._use_roll,
        )
        _log.info(
            "survey: %d frames over %.0f deg promise %.1f arcsec%s",
            len(forecast.turns_rad),
            math.degrees(max(abs(turn) for turn in forecast.turns_rad)),
            forecast.sigma_rad / ARCSEC_RAD,
            "" if forecast.reaches_wish else ", the best that is possible here",
        )
        places = [
            self.first_place + math.degrees(turn) / self._sense for turn in forecast.turns_rad
        ]
        return places[1:]

    async def _work_through(self, places: list[float]) -> None:
        """Visit the places in order; stop as soon as the wish is reached."""
        for index, place in enumerate(places):
            self._say(f"place {index + 2} of {len(places) + 1}", 80 * (index + 1) // len(places))
            await self._visit(place)
            if len({round(visited, 1) for visited in self._visited}) < FEWEST_PLACES:
                continue  # frames at two places do not check each other
            if self._good_enough(await self._weigh()):
                break

    async def _without_roll(self, weighed: Weighed) -> AxisEstimate:
        """Explain the misfit; where only the roll is to blame, go on without it."""
        await asyncio.to_thread(blames_roll, self._taken, weighed, self._rules)
        _log.warning("the pictures' roll is to blame: the directions decide, over a wider turn")
        self._use_roll = False
        for place in await self._planned():
            if self._good_enough(await self._weigh()):
                break
            self._say("a wider turn, since the pictures' roll is not to be trusted", 90)
            await self._visit(place)
        weighed = await self._weigh()
        estimate = weighed.believed()
        if estimate is None:
            raise still_in_doubt(self._taken, weighed)
        return estimate

    async def _weigh(self) -> Weighed:
        weighed = await asyncio.to_thread(
            weigh, self._taken, self._rules, without_roll=not self._use_roll
        )
        if weighed.left_out > self._left_out:
            _log.warning(
                "the tube went to the other side of the pier: %d frames before that do not count",
                weighed.left_out,
            )
        self._left_out = weighed.left_out
        return weighed

    def _good_enough(self, weighed: Weighed) -> bool:
        estimate = weighed.believed()
        return estimate is not None and estimate.sigma_rad <= self._wish.wish_arcsec * ARCSEC_RAD

    async def _visit(self, hour_angle: float) -> None:
        """Turn there and take a frame; a frame that fails is remembered and passed over."""
        turns = not self._visited or abs(hour_angle - self._visited[-1]) > 0.01
        if turns:
            try:
                await self._mount.turn_to(hour_angle, self.declination)
            except DeviceError as trouble:
                self._refused = trouble
                raise
            await self._scene.clock.sleep(self._wish.settle_s)
        try:
            attitude = await self._frame(turned=turns)
        except MeasurementError as failure:
            self._trouble = failure
            _log.warning("no frame at hour angle %.0f deg: %s", hour_angle, failure)
            return
        side = side_told(await self._mount.status())
        self._taken.append(SurveyFrame(attitude=attitude, side=side))
        self._visited.append(hour_angle)

    async def _frame(self, *, turned: bool) -> ObservedAttitude:
        """Take a frame at which the mount stands."""
        return (await self._frames.take(moved=turned)).observed

    @property
    def _sense(self) -> float:
        """Sign of a turn about the elevated axis per westward hour angle."""
        return 1.0 if self._scene.place.south else -1.0

    def _turn_rad(self, hour_angle: float) -> float:
        return self._sense * math.radians(hour_angle - self.first_place)

    def _say(self, step: str, percent: int) -> None:
        self._scene.progress(step, self._scene.measurer.taken, percent)


def with_wish(wish: SurveyWish, tolerance_arcsec: float, wish_arcsec: float | None) -> SurveyWish:
    """Return the wish with its sigma: the one asked for, else a fifth of the tolerance."""
    return replace(wish, wish_arcsec=wish_arcsec or tolerance_arcsec / 5.0)
