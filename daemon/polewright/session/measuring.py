"""Measuring one frame: expose, solve, and set it against the ground."""

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass, replace

from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.observing import observe
from polewright.core.errors import DeviceError, MeasurementError
from polewright.core.geometry.rotations import Vector
from polewright.core.imaging.attitude import Attitude, SolveHint
from polewright.core.imaging.frame import Frame
from polewright.core.imaging.optical_train import OpticalTrain, TrainKey, same_scale
from polewright.core.sky.observed import ObservingMoment
from polewright.core.sky.place import Place
from polewright.logs import begin_frame
from polewright.ports import Camera, Clock, MountStatus, Solver
from polewright.session.optical_trains import OpticalTrains, key_of
from polewright.session.shortage import shortage_told

_log = logging.getLogger(__name__)

# Once a frame is solved the next is looked for this near, and at this scale.
_LEARNED_DIRECTION_SIGMA_DEG = 2.0
_LEARNED_SCALE_SIGMA_FRACTION = 0.002


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """One frame's attitude, and when its pixels had arrived (monotonic s)."""

    attitude: Attitude
    observed: ObservedAttitude
    arrived_s: float


class FrameMeasurer:
    """Takes and solves frames, and remembers what the last one taught about the optics.

    Parameters
    ----------
    first_hint : SolveHint
        What settings and devices say.
    on_measured : callable, optional
        Told of every solved frame.
    trains : OpticalTrains, optional
        What earlier evenings taught; believed once a frame has shown that it still holds.
    """

    def __init__(
        self,
        camera: Camera,
        solver: Solver,
        place: Place,
        clock: Clock,
        first_hint: SolveHint,
        on_measured: Callable[[Measured], None] | None = None,
        trains: OpticalTrains | None = None,
    ) -> None:
        self._camera = camera
        self._solver = solver
        self._place = place
        self._clock = clock
        self._first_hint = self._hint = first_hint
        self._on_measured = on_measured
        self._trains = trains or OpticalTrains()
        self._proven: TrainKey | None = None
        self._taken = 0
        self._scale_arcsec_px: float | None = None

    @property
    def solver(self) -> Solver:
        """What solves."""
        return self._solver

    @property
    def hint(self) -> SolveHint:
        """What is believed of scale, parity and direction now."""
        return self._hint

    def toward_the_last(self, hint: SolveHint) -> SolveHint:
        """Return a hint with the direction of the last frame."""
        return replace(
            hint,
            direction_icrs=self._hint.direction_icrs,
            direction_sigma_deg=self._hint.direction_sigma_deg,
        )

    @property
    def taken(self) -> int:
        """Number of frames taken so far."""
        return self._taken

    @property
    def scale_arcsec_px(self) -> float | None:
        """Scale of the last solved frame; None before one (arcsec)."""
        return self._scale_arcsec_px

    def forget_optics(self) -> None:
        """Let the next survey begin with whatever camera and telescope there is."""
        self._scale_arcsec_px = None
        self._proven = None

    async def measure(self, exposure_s: float, direction_icrs: Vector | None = None) -> Measured:
        """Take one frame and return where it was looking.

        Raises
        ------
        DeviceError, LinkError
            From the camera.
        MeasurementError
            The frame could not be solved or has no time.
        """
        begin_frame(self._taken + 1)
        frame = await self._exposed(exposure_s)
        arrived_s = self._clock.monotonic()
        self._taken += 1
        key = key_of(frame, self._camera.name)
        with shortage_told():
            attitude = await self._solved(frame, key, direction_icrs)
            self._refuse_other_optics(attitude)
            observed = await asyncio.to_thread(
                observe, attitude, self._place, label=f"frame {self._taken}"
            )
        self._learn(key, attitude)
        _log.debug(
            "frame %d: %d stars, %.2f arcsec rms",
            self._taken, attitude.matched, attitude.rms_arcsec,
        )  # fmt: skip
        measured = Measured(attitude=attitude, observed=observed, arrived_s=arrived_s)
        if self._on_measured is not None:
            self._on_measured(measured)
        return measured

    async def _exposed(self, exposure_s: float) -> Frame:
        """Return a frame; one that the driver lost is exposed once more.

        A camera that has delivered nothing yet gets no second chance: its cable is more likely.
        """
        try:
            return await self._camera.expose(exposure_s)
        except DeviceError as lost:
            if lost.code != "no_frame" or not self._taken:
                raise
            _log.warning("%s; it is exposed once more", lost.text)
        return await self._camera.expose(exposure_s)

    async def _solved(self, frame: Frame, key: TrainKey, direction_icrs: Vector | None) -> Attitude:
        """Solve with what is known of the optics; until a frame has shown it, with a way back."""

        def toward(hint: SolveHint) -> SolveHint:
            if direction_icrs is None:
                return hint
            x, y, z = (float(component) for component in direction_icrs)
            return replace(hint, direction_icrs=(x, y, z))

        if self._proven == key:
            return await self._solver.solve(frame, toward(self._hint))
        plain = toward(self.toward_the_last(self._first_hint))
        train = self._trains.of(key, self._first_hint)
        if train is None:
            return await self._solver.solve(frame, plain)
        try:
            attitude = await self._solver.solve(frame, train.told_to(plain))
        except MeasurementError as failure:
            return await self._solved_otherwise(frame, key, plain, failure)
        if train.shows(attitude):
            return attitude
        found = attitude.scale_arcsec_px
        self._trains.drop(key, f"a frame shows {found:.2f} arcsec per pixel or the other parity")
        return await self._solver.solve(frame, replace(plain, scale_arcsec_px=found))

    async def _solved_otherwise(
        self, frame: Frame, key: TrainKey, plain: SolveHint, failure: MeasurementError
    ) -> Attitude:
        """Solve without what was remembered, which is then dropped; or raise the first failure."""
        if failure.code != "no_solution":
            raise failure
        try:
            attitude = await self._solver.solve(frame, plain)
        except MeasurementError:
            raise failure from None
        found = attitude.scale_arcsec_px
        self._trains.drop(key, f"a frame fits only without it, at {found:.2f} arcsec per pixel")
        return attitude

    def _refuse_other_optics(self, attitude: Attitude) -> None:
        before = self._scale_arcsec_px
        if before and not same_scale(attitude.scale_arcsec_px, before):
            raise MeasurementError(
                f"the picture's scale went from {before:.2f} to "
                f"{attitude.scale_arcsec_px:.2f} arcsec per pixel: another camera or telescope",
                remedy="Keep one camera on one telescope, and survey again.",
                code="optics_changed",
            )
        self._scale_arcsec_px = attitude.scale_arcsec_px

    def _learn(self, key: TrainKey, attitude: Attitude) -> None:
        x, y, z = (float(component) for component in attitude.boresight_icrs)
        train: OpticalTrain = self._trains.learn(key, attitude)
        self._proven = key
        self._hint = SolveHint(
            direction_icrs=(x, y, z),
            direction_sigma_deg=_LEARNED_DIRECTION_SIGMA_DEG,
            scale_arcsec_px=attitude.scale_arcsec_px,
            scale_sigma_fraction=_LEARNED_SCALE_SIGMA_FRACTION,
            mirrored=attitude.mirrored,
            radial=train.radial,
        )


def believed_direction(status: MountStatus, place: Place, clock: Clock) -> Vector | None:
    """Return the astrometric direction in which a mount believes to point, if it says so."""
    if status.right_ascension_deg is None or status.declination_deg is None:
        return None
    moment = ObservingMoment.at(place, clock.now())
    degree = 0.017453292519943295
    return moment.icrs_from_of_date(
        status.right_ascension_deg * degree, status.declination_deg * degree
    )
