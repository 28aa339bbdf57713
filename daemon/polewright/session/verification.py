"""Verification: what was found of an axis that was measured before, and how it is told."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from polewright.core.axis.correction import Correction, Verdict
from polewright.core.axis.estimate import chi2_survival
from polewright.core.axis.second_look import MOVED_PROBABILITY
from polewright.core.errors import PolewrightError
from polewright.core.geometry.arrays import settled
from polewright.core.geometry.directions import ARCMIN_RAD
from polewright.core.geometry.rotations import Vector
from polewright.session.messages import Message
from polewright.session.watch_message import went_words


class Depth(StrEnum):
    """How thoroughly: a look without a slew, a survey, or a look and a survey where needed."""

    AUTO = "auto"
    QUICK = "quick"
    FULL = "full"


@dataclass(frozen=True, slots=True, kw_only=True)
class Why:
    """Why something could not be told, or what is doubtful, and what to do."""

    code: str
    text: str
    remedy: str

    @classmethod
    def of(cls, failure: PolewrightError) -> "Why":
        """Return what an error says."""
        return cls(code=failure.code, text=failure.text, remedy=failure.remedy)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AxisMove:
    """How far the axis went since it was seen last.

    Attributes
    ----------
    axis_enu : ndarray of shape (3,)
        Where it is now.
    move_rad, covariance_rad2 : ndarray
        On the sky with azimuth, and up (rad); its covariance.
    since : datetime
        When it was seen last.
    """

    axis_enu: Vector
    move_rad: NDArray[np.float64]
    covariance_rad2: NDArray[np.float64]
    since: datetime

    def __post_init__(self) -> None:
        """Freeze the arrays."""
        for name in ("axis_enu", "move_rad", "covariance_rad2"):
            object.__setattr__(self, name, settled(getattr(self, name)))

    @property
    def chance(self) -> float:
        """Probability of a difference this large where nothing moved."""
        chi2 = float(self.move_rad @ np.linalg.solve(self.covariance_rad2, self.move_rad))
        return chi2_survival(chi2, 2)

    @property
    def moved(self) -> bool:
        """True where that is too improbable."""
        return self.chance < MOVED_PROBABILITY

    @property
    def words(self) -> str:
        """How far it went, as a person says it."""
        return went_words(self.move_rad, self.covariance_rad2, self.axis_enu)

    def figures(self) -> Message:
        """Return it as it is told."""
        sideways, upward = (float(part) / ARCMIN_RAD for part in self.move_rad)
        sigmas = np.sqrt(np.diag(self.covariance_rad2)) / ARCMIN_RAD
        return {
            "altitude_move_arcmin": round(upward, 3),
            "altitude_move_sigma_arcmin": round(float(sigmas[1]), 3),
            "azimuth_move_on_sky_arcmin": round(sideways, 3),
            "azimuth_move_on_sky_sigma_arcmin": round(float(sigmas[0]), 3),
        }


_NO_MOVE: Message = {
    "altitude_move_arcmin": None,
    "altitude_move_sigma_arcmin": None,
    "azimuth_move_on_sky_arcmin": None,
    "azimuth_move_on_sky_sigma_arcmin": None,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """One verification's outcome.

    Attributes
    ----------
    depth : Depth
        ``quick`` or ``full``: what answered last.
    verdict : Verdict
        Against tonight's tolerance.
    moved : bool or None
        Whether something moved since the axis was seen last; None: that cannot be told.
    went : AxisMove or None
        How far, where it can be told.
    correction : Correction or None
        What the axis is off by, where it was measured.
    frames : int
        Looked at.
    why : Why or None
        What is in doubt, or why nothing could be told.
    scheduled : bool
        Whether the schedule asked for it.
    """

    depth: Depth
    verdict: Verdict
    moved: bool | None = None
    went: AxisMove | None = None
    correction: Correction | None = None
    frames: int = 0
    why: Why | None = None
    scheduled: bool = False

    @property
    def good(self) -> bool:
        """True where imaging may begin by it."""
        return self.verdict is Verdict.GOOD_ENOUGH

    @property
    def words(self) -> str:
        """Return the outcome as a person says it."""
        parts = [_VERDICT_WORDS[self.verdict]]
        if (correction := self.correction) is not None:
            # What a look saw move may be something else: then this is no figure of the axis.
            if_so = "were it the tripod, then " if self.moved and self.depth is Depth.QUICK else ""
            parts.append(
                f"{if_so}off by {correction.total_error_arcmin:.2f} arcmin "
                f"+- {correction.total_error_sigma_arcmin:.2f}, "
                f"{correction.tolerance_arcmin:.2f} are allowed"
            )
        if self.went is not None:
            since = f"since {self.went.since:%H:%M} UTC"
            if self.moved:
                went = f"the axis went {self.went.words} {since}"
                parts.append(went if self.depth is Depth.FULL else f"{went}, by all that shows")
            elif self.moved is False:
                parts.append(f"nothing moved {since}")
        if self.why is not None:
            parts.append(self.why.text)
        return "; ".join(parts)

    def message(self, now: datetime) -> Message:
        """Return it as it is told: ``last`` of the ``schedule`` payload, and the reply."""
        correction = self.correction
        return {
            "verified": now.isoformat(timespec="seconds"),
            "scheduled": self.scheduled,
            "depth": self.depth.value,
            "verdict": self.verdict.value,
            "moved": self.moved,
            **(_NO_MOVE if self.went is None else self.went.figures()),
            "compared_with": (
                None if self.went is None else self.went.since.isoformat(timespec="seconds")
            ),
            "total_error_arcmin": (
                None if correction is None else round(correction.total_error_arcmin, 4)
            ),
            "total_error_sigma_arcmin": (
                None if correction is None else round(correction.total_error_sigma_arcmin, 4)
            ),
            "tolerance_arcmin": (
                None if correction is None else round(correction.tolerance_arcmin, 4)
            ),
            "frames": self.frames,
            "words": self.words,
            "code": None if self.why is None else self.why.code,
            "reason": None if self.why is None else self.why.text,
            "remedy": None if self.why is None else self.why.remedy,
        }


_VERDICT_WORDS = {
    Verdict.GOOD_ENOUGH: "good enough",
    Verdict.NOT_YET: "not good enough",
    Verdict.CANNOT_TELL: "cannot tell",
}
