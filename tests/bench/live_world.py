"""A made-up adjustment, exactly as the mathematics has it, and the bound on what it can tell.

Everything is written down once more here, as one function from unknowns to attitudes, so that
the bound (Cramer-Rao, with the prior knowledge counted as data) shares no formula with the filter
that is measured against it: derivatives are taken by differences.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from polewright.core.axis.live_model import LiveModel, sidereal_turn_rad
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.geometry.directions import ARCSEC_RAD, any_perpendiculars, sky_tangents, unit
from polewright.core.geometry.rotations import (
    rotation_about,
    rotation_from_vector,
    vector_from_rotation,
)

START = datetime(2026, 11, 25, 20, 0, tzinfo=UTC)
UP = np.array([0.0, 0.0, 1.0])
SURVEY_TURNS_DEG = (0.0, 30.0, 60.0)
FRAME_PERIOD_S = 1.0
# What the hands do: azimuth and altitude bolt.
MOVE_RAD = np.radians([1.2, 0.8])
_DIFFERENCE_RAD = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """One geometry, its noise and what the mount is believed to be."""

    axis: np.ndarray
    start: np.ndarray
    live_turn_rad: float
    model: LiveModel
    centre_arcsec: float
    roll_arcsec: float
    move_rad: np.ndarray
    after: int

    @classmethod
    def invent(
        cls, rng: np.random.Generator, latitude_deg: float, declination_deg: float,
        roll_arcsec: float, model: LiveModel, *,
        centre_arcsec: float = 0.5, after: int = 8, move_rad: np.ndarray = MOVE_RAD,
    ) -> "World":  # fmt: skip
        """Return a geometry with the axis a degree or two off the pole."""
        altitude = np.radians(abs(latitude_deg)) + rng.normal(0, np.radians(1.0))
        azimuth = (np.pi if latitude_deg < 0 else 0.0) + rng.normal(0, np.radians(1.0))
        axis = np.array([
            np.cos(altitude) * np.sin(azimuth), np.cos(altitude) * np.cos(azimuth),
            np.sin(altitude),
        ])  # fmt: skip
        across, _ = any_perpendiculars(axis)
        boresight = rotation_about(axis, rng.uniform(0, 2 * np.pi)) @ (
            np.sin(np.radians(declination_deg)) * axis
            + np.cos(np.radians(declination_deg)) * across
        )
        second = unit(np.cross(axis, boresight))
        level = np.column_stack([boresight, second, np.cross(boresight, second)])
        start = rotation_about(boresight, rng.uniform(0, 2 * np.pi)) @ level
        return cls(
            axis=axis, start=start, live_turn_rad=rng.uniform(-1.0, 1.0), model=model,
            centre_arcsec=centre_arcsec, roll_arcsec=roll_arcsec, move_rad=move_rad, after=after,
        )  # fmt: skip

    @property
    def noise_rad(self) -> np.ndarray:
        """Sigma of a frame's attitude about the camera's axes, jitter included (rad)."""
        stars = np.array([self.roll_arcsec, self.centre_arcsec, self.centre_arcsec])
        return np.asarray(np.hypot(stars, self.model.jitter_arcsec) * ARCSEC_RAD)

    def priors_rad(self) -> np.ndarray:
        """Sigma of every unknown; infinite where nothing is known beforehand."""
        model = self.model
        floor = model.mechanical_floor_arcsec * ARCSEC_RAD
        slip = np.hypot(model.slip_arcsec, model.slip_arcsec_per_s) * ARCSEC_RAD
        play = model.play_fraction * float(np.hypot(*self.move_rad))
        free = [np.inf] * 8
        return np.array([
            *free, *[floor] * 9, *[floor] * 3, np.inf, np.inf,
            *[model.base_tilt_rad] * 2, *[model.bend_rad] * 4, play, *[floor] * 3,
            *[slip] * self.after,
        ])  # fmt: skip

    def play_out(self, unknowns: np.ndarray) -> tuple[list[np.ndarray], np.ndarray]:
        """Return the attitudes that the frames show without star noise, and the axis at the end.

        ``unknowns`` are small: axis (2), first attitude (3), two survey turns, the live turn; the
        mechanics' wander at each survey frame (9) and before the move (3); the two bolts; the
        lean of the base to the right and forward; the bends of both vectors for other reasons;
        play; the wander after the move (3); slips in right ascension at every frame after it.
        """
        parts = np.split(unknowns, [2, 5, 7, 8, 17, 20, 22, 24, 28, 29, 32])
        east, up = sky_tangents(self.axis)
        axis = rotation_from_vector(parts[0][1] * east - parts[0][0] * up) @ self.axis
        first = rotation_from_vector(parts[1]) @ self.start
        turns = np.radians(SURVEY_TURNS_DEG) + np.array([0.0, *parts[2]])
        survey_wander = parts[4].reshape(3, 3)
        frames = [
            rotation_about(axis, turn) @ first @ rotation_from_vector(wander)
            for turn, wander in zip(turns, survey_wander, strict=True)
        ]
        live = rotation_about(axis, self.live_turn_rad + float(parts[3][0])) @ first
        frames.append(live @ rotation_from_vector(parts[5]))
        right = unit(np.cross(self.axis, UP))
        forward = np.cross(UP, right)
        vertical = UP + parts[7][0] * right + parts[7][1] * forward
        bends = parts[8]
        azimuth_bolt = unit(-vertical + bends[0] * right + bends[1] * forward)
        altitude_bolt = unit(
            np.cross(self.axis, vertical) / np.linalg.norm(np.cross(self.axis, UP))
            + bends[2] * forward + bends[3] * UP
        )  # fmt: skip
        amounts = self.move_rad + parts[6]
        head = rotation_about(azimuth_bolt, amounts[0]) @ rotation_about(altitude_bolt, amounts[1])
        moved_axis = head @ axis
        new_right = unit(np.cross(moved_axis, UP))
        head = rotation_about(np.cross(UP, new_right), float(parts[9][0])) @ head
        moved_axis, slips = head @ axis, np.cumsum(parts[11])
        for index in range(self.after):
            turn = sidereal_turn_rad(axis, FRAME_PERIOD_S * (index + 1)) + slips[index]
            frames.append(
                rotation_about(moved_axis, turn) @ head @ live @ rotation_from_vector(parts[10])
            )
        return frames, moved_axis

    def true_unknowns(self, rng: np.random.Generator) -> np.ndarray:
        """Draw what the priors leave open; what is free is taken as it is."""
        priors = self.priors_rad()
        finite = np.where(np.isfinite(priors), priors, 0.0)
        return np.asarray(rng.normal(size=len(priors)) * finite)

    def observe(
        self, rng: np.random.Generator, attitudes: list[np.ndarray]
    ) -> list[ObservedAttitude]:
        """Add the noise of the stars and the jitter; what is told is the stars' noise alone."""
        stars = np.array([self.roll_arcsec, self.centre_arcsec, self.centre_arcsec]) * ARCSEC_RAD
        seconds = [-200.0, -100.0, -50.0, *(FRAME_PERIOD_S * k for k in range(self.after + 1))]
        return [
            ObservedAttitude(
                enu_from_camera=attitude
                @ rotation_from_vector(rng.normal(size=3) * self.noise_rad),
                covariance_camera_rad2=np.diag(stars**2),
                instant=START + timedelta(seconds=second),
            )
            for attitude, second in zip(attitudes, seconds, strict=True)
        ]

    def bound_rad2(self, frames_after: int) -> np.ndarray:
        """Return the least covariance of the axis (2, 2) after so many frames past the move."""
        priors = self.priors_rad()
        nothing = np.zeros(len(priors))
        _, axis = self.play_out(nothing)
        tangents = np.stack(sky_tangents(axis))
        kept = 4 + frames_after
        design = np.zeros((3 * kept, len(priors)))
        axis_design = np.zeros((2, len(priors)))
        for column in range(len(priors)):
            step = nothing.copy()
            step[column] = _DIFFERENCE_RAD
            plus, axis_plus = self.play_out(step)
            minus, axis_minus = self.play_out(-step)
            for row in range(kept):
                change = vector_from_rotation(minus[row].T @ plus[row])
                design[3 * row : 3 * row + 3, column] = change / (2 * _DIFFERENCE_RAD)
            axis_design[:, column] = tangents @ (axis_plus - axis_minus) / (2 * _DIFFERENCE_RAD)
        weights = np.tile(1.0 / self.noise_rad**2, kept)
        known = priors > 0.0
        design, axis_design = design[:, known], axis_design[:, known]
        information = design.T * weights @ design + np.diag(1.0 / priors[known] ** 2)
        return axis_design @ np.linalg.solve(information, axis_design.T)
