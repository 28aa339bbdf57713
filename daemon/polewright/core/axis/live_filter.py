"""Live filter: the axis while hands turn the bolts: still when they are, at once when they move.

Pure: a frozen state and :func:`advance`.  While the hands are still, frames are averaged; a frame
(or the mean of the newest few) that lies too far from what the ones before say ends the average
at once, and what it shows is then all that counts, but for what the bolts cannot have done
(:mod:`polewright.core.axis.live_steps`).  A single frame that lies apart, and the next one does
not, is forgotten.
"""

from dataclasses import dataclass, replace

import numpy as np

from polewright.core.axis.bolts import Bolts
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.live import LiveAxis
from polewright.core.axis.live_model import Interval, LiveModel
from polewright.core.axis.live_pose import LivePose
from polewright.core.axis.live_steps import (
    drift_since,
    first_pose,
    kept_still,
    moved_by_bolts,
    slip_since,
    with_one_bolt_seen,
)
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.geometry.directions import ARCSEC_RAD

# Hands moved where a drift is this improbable (chi-square, 2 degrees of freedom: 1 in 22000): at
# 1 in 3000 the needless restarts alone cost two percent of the accuracy of eight still frames.
_MOVED_CHI2 = 20.0
# A frame is back where the axis was before the last one where it is as probable as 1 in 20.
_BACK_CHI2 = 6.0
# Drifts are looked for in the newest one, the newest two frames and so on: slow ones show late.
_WINDOWS = (1, 2, 4, 8, 16)
# This many frames without motion make a still state, from which motions are measured.
STILL_FRAMES = 3
# Still states kept for telling what a turn of a knob did.
_MOST_STILLS = 64
# What frames scatter beyond their stars' noise is learned within these bounds (arcsec) ...
_JITTER_ARCSEC = (0.3, 5.0)
# ... from drifts no larger than this: larger ones are hands.
_LARGEST_JITTER_ARCSEC = 12.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Step:
    """One frame of the present segment and the pose before it."""

    before: LivePose
    observed: ObservedAttitude
    tracking: bool | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LiveState:
    """What is known after some frames.

    Attributes
    ----------
    survey : AxisEstimate
        Where the axis was, and where it stands in the camera's own frame.
    model : LiveModel
        What is believed of the mount; ``jitter_arcsec`` is learned.
    pose : LivePose or None
        The newest; None before the first frame.
    frames : int
        Frames since the hands last moved.
    stills : tuple of LivePose
        The last pose of each still state before the present one, in order.
    commanded : bool
        True where the last motion was commanded: it is believed however small it is.
    """

    survey: AxisEstimate
    model: LiveModel
    pose: LivePose | None = None
    frames: int = 0
    stills: tuple[LivePose, ...] = ()
    steps: tuple[_Step, ...] = ()
    commanded: bool = False

    @property
    def still(self) -> bool:
        """True where the hands have rested for a while."""
        return self.frames >= STILL_FRAMES

    @property
    def bolts(self) -> Bolts:
        """The bolts' vectors as learned so far: how the whole mount turns."""
        return self._known().bolts

    @property
    def effective_bolts(self) -> Bolts:
        """Bolts that move the axis as learned so far: what corrections are counted in."""
        return self._known().effective_bolts

    @property
    def axis(self) -> LiveAxis:
        """The axis now."""
        pose = self._known()
        return LiveAxis(
            axis_enu=pose.axis_enu,
            covariance_rad2=pose.axis_covariance_rad2,
            instant=pose.instant,
        )

    def _known(self) -> LivePose:
        if self.pose is None:
            raise ValueError("no frame has been taken yet")
        return self.pose


def begin(survey: AxisEstimate, model: LiveModel | None = None) -> LiveState:
    """Return the state before the first frame."""
    model = model or LiveModel()
    return LiveState(
        survey=survey, model=replace(model, use_roll=model.use_roll and survey.roll_used)
    )


def advance(
    state: LiveState,
    observed: ObservedAttitude,
    *,
    tracking: bool | None = None,
    moved: bool = False,
) -> LiveState:
    """Return the state after one more frame.

    Parameters
    ----------
    state : LiveState
        The state before it.
    observed : ObservedAttitude
        The frame; any time may have passed since the last (clouds).
    tracking : bool, optional
        Whether the mount tracked at the sidereal rate since; None: not known.
    moved : bool
        Motors were commanded since: what they did is measured, not guessed from the frames.
    """
    if state.pose is None:
        return replace(state, pose=first_pose(state.survey, observed, state.model), frames=1)
    before = _before_a_stray_frame(state, observed, tracking)
    if before is not None:
        state = before
    pose = state.pose
    assert pose is not None
    state = replace(state, model=_with_jitter_learned(pose, observed, state.model, tracking))
    newest = _Step(before=pose, observed=observed, tracking=tracking)
    if moved:
        return replace(_after_motion(state, (newest,)), commanded=True)
    steps = (*state.steps, newest)[-max(_WINDOWS) :]
    for window in _WINDOWS:
        if window <= len(steps) and _moved(steps[-window:], state.model):
            return replace(_after_motion(state, steps[-window:]), commanded=False)
    return _after_stillness(replace(state, steps=steps), newest)


def _after_stillness(state: LiveState, step: _Step) -> LiveState:
    interval = _interval(step.before, step.observed, state.model, step.tracking)
    pose = kept_still(step.before, step.observed, state.model, interval)
    frames = state.frames + 1
    if frames == STILL_FRAMES and state.stills:
        pose = with_one_bolt_seen(pose, state.stills[-1])
    return replace(state, pose=pose, frames=frames)


def _after_motion(state: LiveState, steps: tuple[_Step, ...]) -> LiveState:
    """Begin a new segment with the frames that show the motion."""
    earlier = state.frames - (len(steps) - 1)
    stills = state.stills
    if earlier >= STILL_FRAMES or not stills:
        stills = (*stills, steps[0].before)[-_MOST_STILLS:]
    anchor = stills[-1]
    first = steps[0]
    interval = _interval(anchor, first.observed, state.model, first.tracking)
    after = replace(
        state,
        pose=moved_by_bolts(anchor, first.observed, state.model, interval),
        frames=1,
        stills=stills,
        steps=(),
    )
    for step in steps[1:]:
        assert after.pose is not None
        again = replace(step, before=after.pose)
        after = _after_stillness(replace(after, steps=(*after.steps, again)), again)
    return after


def _before_a_stray_frame(
    state: LiveState, observed: ObservedAttitude, tracking: bool | None
) -> LiveState | None:
    """Return the state before the last frame where that alone lay apart; None where not."""
    if state.frames != 1 or not state.stills or state.pose is None or state.commanded:
        return None
    anchor = state.stills[-1]
    back = _Step(before=anchor, observed=observed, tracking=tracking)
    stays = _Step(before=state.pose, observed=observed, tracking=tracking)
    chi2 = _drift_chi2((back,), state.model)
    if chi2 > _BACK_CHI2 or chi2 > _drift_chi2((stays,), state.model):
        return None
    return replace(state, pose=anchor, frames=STILL_FRAMES + 1, stills=state.stills[:-1], steps=())


def _moved(steps: tuple[_Step, ...], model: LiveModel) -> bool:
    return _drift_chi2(steps, model) > _MOVED_CHI2


def _drift_chi2(steps: tuple[_Step, ...], model: LiveModel) -> float:
    """Return the chi-square of the mean drift of some frames from the pose before them."""
    before = steps[0].before
    size = 2 if model.use_roll else 3
    drift, frames = np.zeros(size), np.zeros((size, size))
    of_pose = np.zeros((size, size))
    for step in steps:
        interval = _interval(before, step.observed, model, step.tracking)
        of_one, of_pose, of_frame = drift_since(before, step.observed, model, interval)
        drift += of_one / len(steps)
        frames += of_frame / len(steps) ** 2
    return float(drift @ np.linalg.solve(of_pose + frames, drift))


def _with_jitter_learned(
    pose: LivePose, observed: ObservedAttitude, model: LiveModel, tracking: bool | None
) -> LiveModel:
    """Learn the scatter of single frames along the direction in which they are best known."""
    drift, of_pose, of_frame = drift_since(
        pose, observed, model, _interval(pose, observed, model, tracking)
    )
    values, vectors = np.linalg.eigh(of_pose + of_frame)
    size = float(vectors[:, 0] @ drift)
    if np.isinf(model.jitter_memory_frames) or abs(size) > _LARGEST_JITTER_ARCSEC * ARCSEC_RAD:
        return model
    excess_arcsec2 = (size**2 - float(values[0])) / ARCSEC_RAD**2
    low, high = _JITTER_ARCSEC
    learned = model.jitter_arcsec**2 + excess_arcsec2 / model.jitter_memory_frames
    return replace(model, jitter_arcsec=float(np.sqrt(np.clip(learned, low**2, high**2))))


def _interval(
    pose: LivePose, observed: ObservedAttitude, model: LiveModel, tracking: bool | None
) -> Interval:
    duration_s = (observed.instant - pose.instant).total_seconds()
    if tracking is not None:
        return Interval(duration_s=duration_s, tracking=tracking)
    return min(
        (Interval(duration_s=duration_s, tracking=guess) for guess in (True, False)),
        key=lambda interval: abs(slip_since(pose, observed, model, interval)),
    )
