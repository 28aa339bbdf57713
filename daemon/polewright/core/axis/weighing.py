"""Weighing: what a survey's frames say so far, and what becomes of frames that disagree.

One decision for every survey, by motors and by hand.  Frames that share one axis answer.  Where the
tube went to the other side of the pier only those since count.  Where rolls are too wild for any
axis the directions answer, if they check themselves; where the roll alone is to blame, likewise.
Everything else is a refusal that names what moved.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from polewright.core.axis.diagnosis import FEWEST_DIRECTION_CHECKS, Cause, diagnose
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.survey import (
    DEFAULT_MECHANICAL_FLOOR_ARCSEC,
    different_turns,
    solve_axis_robustly,
)
from polewright.core.errors import MeasurementError
from polewright.core.geometry.directions import wrap_half_turn
from polewright.core.geometry.rotations import Matrix, Vector

FEWEST_PLACES = 3
"""At fewer different places frames do not check each other."""

# A picture that rolled by half a turn from one frame to the next, within this, was turned over: the
# axis that the roll is counted about is known to some degrees only (a judgement, no source).
_HALF_TURN_WITHIN_RAD = math.radians(25.0)
# Nearer to the pole than this, a roll counted about it says nothing of one about the axis.
_POLE_TOO_NEAR_RAD = math.radians(15.0)
# So many other rolls that are neither none nor half a turn: a camera that turns as it likes.
_WILD_ROLLS = 2

_REMEDY = (
    "Survey on one side of the meridian: begin farther from it, or with a smaller [survey] "
    "sweep_deg. If a rotator turns the camera, stop it."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurveyFrame:
    """A frame of a survey; ``side`` of the pier, as the mount says, empty where it does not."""

    attitude: ObservedAttitude
    side: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WeighingRules:
    """How a survey's frames are weighed.

    Attributes
    ----------
    pole_enu : ndarray of shape (3,)
        The elevated pole, which the axis is within some degrees of.
    mechanical_floor_arcsec : float
        Wander per frame and axis (arcsec, one sigma).
    use_roll : bool or None
        None: trusted until the frames show otherwise.
    """

    pole_enu: Vector
    mechanical_floor_arcsec: float = DEFAULT_MECHANICAL_FLOOR_ARCSEC
    use_roll: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighed:
    """What the frames say.

    Attributes
    ----------
    estimate : AxisEstimate or None
        The axis; None where no axis comes out.
    believable : bool
        Whether the frames agree, and a frame that is wrong would have shown.
    left_out : int
        So many frames, the first ones, do not count: the tube was on the other side of the pier.
    """

    estimate: AxisEstimate | None
    believable: bool
    left_out: int = 0

    def believed(self) -> AxisEstimate | None:
        """Return the axis where it is to be believed."""
        return self.estimate if self.believable else None


def weigh(
    frames: Sequence[SurveyFrame], rules: WeighingRules, *, without_roll: bool = False
) -> Weighed:
    """Return what the frames say so far.

    Parameters
    ----------
    frames : sequence of SurveyFrame
        In the order in which they were taken.
    without_roll : bool
        True once the roll was found to be to blame: the directions alone answer.

    Raises
    ------
    MeasurementError
        ``too_few_frames`` or ``turn_too_small``.
    """
    estimate = None
    since = _turned_over(frames, rules.pole_enu, nearest_rad=_POLE_TOO_NEAR_RAD)
    if rules.use_roll is not False and not without_roll:
        estimate = _solved(frames, rules, use_roll=True)
        before = tuple(frame.attitude.label for frame in frames[:since])
        if (
            estimate is not None
            and _checked(estimate, rules)
            and (not before or estimate.rejected != before)
        ):
            # Whatever the mount says of its sides: frames that share an axis, roll and all, were
            # taken on one.  Some mounts tell the side by the hour angle alone.
            return Weighed(estimate=estimate, believable=True)
    if since:
        return _since(since, frames, rules, without_roll=without_roll)
    if estimate is not None or rules.use_roll is True:
        return Weighed(estimate=estimate, believable=False)
    estimate = _solved(frames, rules, use_roll=False)
    if estimate is None or not _checked(estimate, rules):
        return Weighed(estimate=estimate, believable=False)
    # About the axis itself the roll is told better than about the pole.
    since = _turned_over(frames, estimate.axis_enu)
    if since:
        return _since(since, frames, rules, without_roll=True)
    return Weighed(estimate=estimate, believable=True)


def _since(
    since: int, frames: Sequence[SurveyFrame], rules: WeighingRules, *, without_roll: bool
) -> Weighed:
    """Return what the frames say since the tube went over the pier."""
    nothing = Weighed(estimate=None, believable=False, left_out=since)
    if len(frames) - since < FEWEST_PLACES:
        return nothing
    try:
        rest = weigh(frames[since:], rules, without_roll=without_roll)
    except MeasurementError:
        return nothing  # all at one place
    return replace(rest, left_out=since + rest.left_out)


def blames_roll(frames: Sequence[SurveyFrame], weighed: Weighed, rules: WeighingRules) -> bool:
    """Return that the roll alone is to blame for frames that disagree; else say what is.

    Raises
    ------
    MeasurementError
        What moved; ``too_few_frames`` where nothing disagrees and nothing is checked.
    """
    kept = [frame.attitude for frame in frames[weighed.left_out :]]
    if weighed.left_out and len(kept) < FEWEST_PLACES + FEWEST_DIRECTION_CHECKS:
        raise other_side(frames, weighed)
    estimate = weighed.estimate
    if estimate is not None and estimate.consistent and not estimate.rejected:
        raise MeasurementError(
            f"{estimate.frames} frames at {different_turns(estimate.turn_angles_rad)} places are "
            "too few to check each other",
            remedy="Survey again with more [survey] frames, and wait for clear sky.",
            code="too_few_frames",
        )
    found = diagnose(kept, mechanical_floor_arcsec=rules.mechanical_floor_arcsec)
    if found.cause is Cause.ROLL_UNTRUSTED and rules.use_roll is None:
        return True
    if rules.use_roll is False:
        raise even_without_roll()
    if found.cause is Cause.UNKNOWN and not weighed.left_out:
        # Near the pole the roll is not told well enough to go on by, but to name what it shows.
        since = _turned_over(frames, rules.pole_enu)
        if since:
            raise other_side(frames, replace(weighed, left_out=since))
    code = "frames_disagree" if found.cause is Cause.UNKNOWN else found.cause.value
    raise MeasurementError(found.words, remedy=found.remedy, code=code)


def even_without_roll() -> MeasurementError:
    """Return the refusal of frames that disagree though their roll does not count."""
    return MeasurementError(
        "the frames disagree even without their roll",
        remedy="Check clamps, cables and tripod; wait for clear sky; then survey again.",
        code="frames_disagree",
    )


def still_in_doubt(frames: Sequence[SurveyFrame], weighed: Weighed) -> MeasurementError:
    """Return the refusal of frames that are not to be believed by their directions alone either."""
    return other_side(frames, weighed) if weighed.left_out else even_without_roll()


def other_side(frames: Sequence[SurveyFrame], weighed: Weighed) -> MeasurementError:
    """Return the refusal of a survey whose tube went to the other side of the pier."""
    after = frames[weighed.left_out - 1].attitude.label
    if len({frame.side for frame in frames} - {""}) > 1:
        return MeasurementError(
            f"the tube went to the other side of the pier after {after}, which moves declination "
            "too, and the frames since are too few to show an axis",
            remedy=_REMEDY,
            code="other_pier_side",
        )
    return MeasurementError(
        f"the picture turned over after {after}, as when the tube goes to the other side of the "
        "pier, which moves declination too, and the frames since are too few to show an axis",
        remedy=_REMEDY,
        code="other_pier_side",
    )


def checks_itself(estimate: AxisEstimate) -> bool:
    """Return whether a frame that is wrong would show."""
    places = different_turns(estimate.turn_angles_rad) >= FEWEST_PLACES
    return places and estimate.degrees_of_freedom > 0


def _solved(
    frames: Sequence[SurveyFrame], rules: WeighingRules, *, use_roll: bool
) -> AxisEstimate | None:
    try:
        return solve_axis_robustly(
            [frame.attitude for frame in frames],
            mechanical_floor_arcsec=rules.mechanical_floor_arcsec,
            use_roll=use_roll,
        )
    except MeasurementError as failure:
        # Directions that nobody asked for, and that show no axis, are no failure of their own.
        unasked = not use_roll and rules.use_roll is not False
        if failure.code != "no_convergence" and not unasked:
            raise
        return None


def _checked(estimate: AxisEstimate, rules: WeighingRules) -> bool:
    """Return whether the frames agree; without roll nobody asked for, they must show it twice."""
    meant = estimate.roll_used or rules.use_roll is False
    fewest = 1 if meant else FEWEST_DIRECTION_CHECKS
    return estimate.consistent and checks_itself(estimate) and estimate.degrees_of_freedom >= fewest


def _turned_over(
    frames: Sequence[SurveyFrame], axis_enu: Vector, *, nearest_rad: float = 0.0
) -> int:
    """Return how many frames are of before the tube last went over the pier; 0: it did not.

    The mount says so; or the picture rolled by half a turn, while it does not roll as it likes.
    Fields nearer to the axis than this do not tell a roll.
    """
    since, side = 0, ""
    for index, frame in enumerate(frames):
        if frame.side and side and frame.side != side:
            since = index
        side = frame.side or side
    cameras = [frame.attitude.enu_from_camera for frame in frames]
    if any(abs(float(camera[:, 0] @ axis_enu)) > math.cos(nearest_rad) for camera in cameras):
        return since
    rolls = [_roll_rad(camera, axis_enu) for camera in cameras]
    steps = [abs(wrap_half_turn(after - before)) for before, after in itertools.pairwise(rolls)]
    over = [step > math.pi - _HALF_TURN_WITHIN_RAD for step in steps]
    wild = sum(
        step > _HALF_TURN_WITHIN_RAD and not half for step, half in zip(steps, over, strict=True)
    )
    if wild < _WILD_ROLLS and any(over):
        since = max(since, 1 + max(index for index, half in enumerate(over) if half))
    return since


def _roll_rad(enu_from_camera: Matrix, axis_enu: Vector) -> float:
    """Return the picture's roll against the direction of the axis (rad)."""
    in_camera = enu_from_camera.T @ axis_enu
    return math.atan2(float(in_camera[2]), float(in_camera[1]))
