"""Following the axis: one live frame after another, each turned into a correction."""

import asyncio
import logging
import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from polewright.core.axis.bolts import BoltTurns, rotation_of, turns_between
from polewright.core.axis.correction import Correction, Verdict, correct, says_leave
from polewright.core.axis.estimate import AxisEstimate, Method
from polewright.core.axis.knobs import Bolt, KnobAdvice
from polewright.core.axis.live_filter import LiveState, advance, begin
from polewright.core.axis.live_model import LiveModel
from polewright.core.axis.targets import StarTarget, star_targets
from polewright.core.errors import MeasurementError, PolewrightError
from polewright.core.geometry.directions import angle_between
from polewright.core.geometry.rotations import Vector
from polewright.core.imaging.optical_train import same_scale
from polewright.ports import Clock, MountStatus, PierSide
from polewright.session.exposing import LiveExposure
from polewright.session.knob_reports import KnobReports
from polewright.session.measuring import FrameMeasurer, Measured
from polewright.session.safety import GuardedMount

_log = logging.getLogger(__name__)

# After a frame without solution wait this long before the next (s): a cloud does not hurry.
_PAUSE_AFTER_FAILURE_S = 0.5
# Declination that the mount reports may differ from the survey's by so much (deg): guiding,
# a pointing model that was switched on.  More, and the axis no longer stands where the survey saw
# it in the camera's own frame.
_DECLINATION_MOVED_DEG = 0.3
# A correction older than this is no longer shown as live (s): hands have moved on by then.
VALIDITY_S = 6.0
# Where frames take longer than that, the next one may be late by as much as it takes.
_VALID_FRAMES = 2.5
# No hand moves the axis by so much from one frame to the next (rad): two frames in a row that
# say so mean that something else than the bolts moved.
_JUMP_RAD = math.radians(5.0)
# A tube that goes to the other side of the pier seems to move the axis by at least this (rad).
_FLIPPED_RAD = math.radians(0.3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """How declination axis and camera stood when the axis was surveyed; None where nobody said.

    ``syncs``: how often the mount had been told where it points.
    """

    declination_deg: float | None = None
    pier_side: PierSide = PierSide.UNKNOWN
    mount: str = ""
    camera: str = ""
    scale_arcsec_px: float | None = None
    syncs: int = 0

    @classmethod
    def of(cls, status: MountStatus) -> "Standing":
        """Take it from what the mount says."""
        return cls(declination_deg=status.declination_deg, pier_side=status.pier_side)


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveCorrection:
    """One correction, when its frame had arrived and how long the computing took.

    ``altitude_knob`` and ``azimuth_knob`` are None while a knob is not known; ``targets`` are the
    stars of the frame and where they must come to be.  ``tracking`` is what the mount said of the
    time since the frame before; ``held`` whether that one was good enough; ``moved`` whether
    motors were commanded in between.  ``valid_s``: how long it holds from the middle of the
    exposure on, by how long a frame takes.  ``method``: what it was followed by.
    """

    correction: Correction
    sequence: int
    frame_age_s: float
    latency_ms: float
    altitude_knob: KnobAdvice | None = None
    azimuth_knob: KnobAdvice | None = None
    targets: tuple[StarTarget, ...] = ()
    width_px: int = 0
    height_px: int = 0
    tracking: bool | None = None
    held: bool = False
    moved: bool = False
    valid_s: float = VALIDITY_S
    method: Method = Method.STARS


class Follower:
    """Follows the axis from a survey on.

    Parameters
    ----------
    measurer : FrameMeasurer
        Takes and solves the frames.
    survey : AxisEstimate
        Where the axis was, and where it stands in the camera's own frame.
    target_enu : ndarray of shape (3,)
        Where it shall be.
    tolerance_rad : float
        How near is good enough (rad).
    mount : GuardedMount, optional
        Whose declination must stand still.
    standing : Standing, optional
        How it stood at the survey; left out: as it stands now.
    reports : KnobReports, optional
        What is known of the knobs.
    exposure_s : float
        Of the frames (s), while there are stars enough.
    longest_exposure_s : float, optional
        How long it may become when stars are few (s); left out: it stays as it is.
    aim : callable, optional
        Returns target and tolerance as they are wished for now; left out: they stay as they are.
    """

    def __init__(
        self,
        measurer: FrameMeasurer,
        clock: Clock,
        survey: AxisEstimate,
        target_enu: Vector,
        *,
        tolerance_rad: float,
        exposure_s: float,
        mechanical_floor_arcsec: float,
        on_correction: Callable[[LiveCorrection], None],
        on_trouble: Callable[[MeasurementError, float], None],
        mount: GuardedMount | None = None,
        standing: Standing | None = None,
        reports: KnobReports | None = None,
        longest_exposure_s: float | None = None,
        aim: Callable[[], tuple[Vector, float]] | None = None,
    ) -> None:
        self._measurer = measurer
        self._clock = clock
        self.target_enu = target_enu
        self.tolerance_rad = tolerance_rad
        self._aim = aim
        self._exposure = LiveExposure(exposure_s, longest_s=longest_exposure_s or exposure_s)
        self._on_correction = on_correction
        self._on_trouble = on_trouble
        self._mount = mount
        self._standing = standing or Standing()
        self._scale_then = self._standing.scale_arcsec_px
        self._reports = reports or KnobReports()
        self.state = begin(survey, LiveModel(mechanical_floor_arcsec=mechanical_floor_arcsec))
        self._sequence, self._jumps = 0, 0
        self._held = False
        self._last_good_s = clock.monotonic()

    async def look(self, *, moved: bool = False) -> LiveCorrection | None:
        """Take one frame and tell what it says; None where it says nothing.

        Parameters
        ----------
        moved : bool
            Motors were commanded since the frame before.

        Raises
        ------
        MeasurementError
            ``declination_moved``, ``optics_changed``: the survey is void.
        DeviceError, LinkError
            From the camera.
        """
        clock = self._clock
        began_s = clock.monotonic()
        try:
            measured = await self._measurer.measure(self._exposure.exposure_s)
        except MeasurementError as failure:
            self._held = False
            self._exposure.failed(failure)
            self._on_trouble(failure, clock.monotonic() - self._last_good_s)
            await clock.sleep(_PAUSE_AFTER_FAILURE_S)
            return None
        refuse_other_scale(self._scale_then, measured)
        self._exposure.saw(measured.attitude)
        status = await _status(self._mount)
        self._standing = _still_standing(
            self._standing, status, flipped=_jumped(self.state, measured, _FLIPPED_RAD)
        )
        if _jumped(self.state, measured):
            self._jumps += 1
            self._on_trouble(_jump_error(self._jumps), clock.monotonic() - self._last_good_s)
            if self._jumps > 1:
                raise _moved_declination("the axis seems to have jumped by degrees at once")
            return None
        self._jumps = 0
        self._last_good_s = measured.arrived_s
        tracking = status.tracking if status else None
        # A few milliseconds here, ten times that on a small computer: not on the loop.
        self.state = await asyncio.to_thread(
            advance, self.state, measured.observed, tracking=tracking, moved=moved
        )
        self._reports.look(self.state)
        self._take_aim()
        live = _correction_of(
            self.state,
            measured,
            self.target_enu,
            self._reports,
            tolerance_rad=self.tolerance_rad,
            held=self._held,
        )
        self._sequence += 1
        live = replace(
            live,
            sequence=self._sequence,
            frame_age_s=max(0.0, (clock.now() - self.state.axis.instant).total_seconds()),
            latency_ms=1000.0 * (clock.monotonic() - measured.arrived_s),
            tracking=tracking,
            held=self._held,
            moved=moved,
            valid_s=validity_s(clock.monotonic() - began_s),
        )
        self._on_correction(live)
        self._held = live.correction.verdict is Verdict.GOOD_ENOUGH
        return live

    def _take_aim(self) -> None:
        if self._aim is None:
            return
        target_enu, tolerance_rad = self._aim()
        if target_enu is not self.target_enu or tolerance_rad != self.tolerance_rad:
            self.target_enu, self.tolerance_rad = target_enu, tolerance_rad
            self._held = False  # what was good enough was so for something else


def refuse_other_scale(then_arcsec_px: float | None, measured: Measured) -> None:
    """Refuse a frame of other optics than the survey's; None: nobody knows those.

    Raises
    ------
    MeasurementError
        ``optics_changed``.
    """
    now = measured.attitude.scale_arcsec_px
    if then_arcsec_px and not same_scale(now, then_arcsec_px):
        raise MeasurementError(
            f"the picture's scale is {now:.2f} arcsec per pixel and was {then_arcsec_px:.2f} at "
            "the survey: another camera or telescope",
            remedy="Survey again, with the camera that is in use now.",
            code="optics_changed",
        )


def validity_s(frame_takes_s: float) -> float:
    """Return how long a correction holds (s) where a frame takes so long from start to words."""
    return max(VALIDITY_S, _VALID_FRAMES * frame_takes_s)


def correction_now(
    state: LiveState, target_enu: Vector, *, tolerance_rad: float, held: bool
) -> tuple[BoltTurns, Correction]:
    """Return what the bolts must still turn, and how to say it."""
    axis = state.axis
    turns = turns_between(state.effective_bolts, axis.axis_enu, target_enu)
    correction = correct(
        axis.axis_enu,
        axis.covariance_rad2,
        target_enu,
        tolerance_rad=tolerance_rad,
        bolt_turns=turns,
        held=held,
    )
    return turns, correction


def _correction_of(
    state: LiveState,
    measured: Measured,
    target_enu: Vector,
    reports: KnobReports,
    *,
    tolerance_rad: float,
    held: bool,
) -> LiveCorrection:
    turns, correction = correction_now(state, target_enu, tolerance_rad=tolerance_rad, held=held)
    knobs = reports.advice(turns)
    return LiveCorrection(
        correction=correction,
        sequence=0,
        frame_age_s=0.0,
        latency_ms=0.0,
        altitude_knob=worth_telling(knobs[Bolt.ALTITUDE], correction.altitude_words),
        azimuth_knob=worth_telling(knobs[Bolt.AZIMUTH], correction.azimuth_words),
        targets=_targets(state, measured, target_enu),
        width_px=measured.attitude.width_px,
        height_px=measured.attitude.height_px,
    )


def worth_telling(advice: KnobAdvice | None, words: str) -> KnobAdvice | None:
    """Return the advice, or none to turn where the words say to leave the bolt."""
    if advice is None or not says_leave(words):
        return advice
    return KnobAdvice(steps_turns=(), turns=0.0, sigma_turns=advice.sigma_turns, words="")


def _targets(state: LiveState, measured: Measured, target_enu: Vector) -> tuple[StarTarget, ...]:
    bolts = rotation_of(state.bolts, turns_between(state.bolts, state.axis.axis_enu, target_enu))
    return tuple(star_targets(measured.attitude, measured.observed.enu_from_camera, bolts))


async def _status(mount: GuardedMount | None) -> MountStatus | None:
    """Return what the mount says; a mount that does not answer is no reason not to measure."""
    if mount is None:
        return None
    try:
        return await mount.status()
    except PolewrightError as trouble:
        _log.debug("the mount does not say how it stands: %s", trouble)
        return None


def _still_standing(before: Standing, status: MountStatus | None, *, flipped: bool) -> Standing:
    """Return how declination stands, as far as known.

    ``flipped``: the axis moved as far as a tube that goes to the other side of the pier makes it
    seem to; some mounts tell the side by the hour angle alone, and then change it without a flip.

    Raises
    ------
    MeasurementError
        ``declination_moved``.
    """
    if status is None or status.slewing:
        return before
    now = Standing.of(status)
    if before.declination_deg is not None and now.declination_deg is not None:
        change = now.declination_deg - before.declination_deg
        if abs(change) > _DECLINATION_MOVED_DEG:
            raise _moved_declination(
                f"the mount reports a declination that is {change:+.1f} deg off"
            )
    sides = {before.pier_side, now.pier_side}
    if flipped and PierSide.UNKNOWN not in sides and len(sides) > 1:
        raise _moved_declination("the tube is on the other side of the pier")
    return Standing(
        declination_deg=(
            before.declination_deg if before.declination_deg is not None else now.declination_deg
        ),
        pier_side=before.pier_side if now.pier_side is PierSide.UNKNOWN else now.pier_side,
    )


def _jumped(state: LiveState, measured: Measured, limit_rad: float = _JUMP_RAD) -> bool:
    """Return whether a frame puts the axis far from where the one before had it."""
    if state.pose is None or not state.model.use_roll:
        return False
    axis = measured.observed.enu_from_camera @ state.pose.axis_camera
    return angle_between(axis, state.axis.axis_enu) > limit_rad


def _jump_error(jumps: int) -> MeasurementError:
    return MeasurementError(
        f"{'two frames' if jumps > 1 else 'one frame'} put the axis degrees away from the last",
        remedy="Nothing, if it passes: the frame may have been solved wrongly.",
        code="axis_jumped",
    )


def _moved_declination(seen: str) -> MeasurementError:
    return MeasurementError(
        f"{seen} since the survey: the axis cannot be followed any more",
        remedy="Survey again, and leave declination alone while adjusting; turning in right "
        "ascension is fine.",
        code="declination_moved",
    )
