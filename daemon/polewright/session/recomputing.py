"""Recomputing: a kept survey from its kept frames, by the functions that made it, to the digit."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from polewright.core.axis.correction import correct
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.observing import observe
from polewright.core.axis.survey import solve_axis_robustly
from polewright.core.errors import PolewrightError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.records import FrameRecord, SurveyRecord
from polewright.core.sky.observed import pole_enu


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A figure that came out otherwise: whose, which, and by how much (None: not a number)."""

    of: str
    figure: str
    largest: float | None

    def __str__(self) -> str:
        """Return it in words."""
        by = "" if self.largest is None else f" by up to {self.largest:.3g}"
        return f"{self.of}: {self.figure} differs{by}"


def recompute_frame(frame: FrameRecord) -> ObservedAttitude:
    """Return the observed attitude from a frame's kept stars.

    Raises
    ------
    PolewrightError
        The stars do not fix it.
    """
    return observe(
        frame.attitude, frame.place, label=frame.observed.label, orientation=frame.orientation
    )


def differing_frames(frames: Sequence[FrameRecord]) -> list[Difference]:
    """Return what comes out otherwise when the frames are set against the ground again."""
    found: list[Difference] = []
    for frame in frames:
        try:
            again = recompute_frame(frame)
        except PolewrightError as failure:
            found.append(_failed(frame.observed.label, failure))
            continue
        found += _compare(frame.observed.label, frame.observed, again)
    return found


def differing_survey(survey: SurveyRecord, frames: Sequence[FrameRecord]) -> list[Difference]:
    """Return what comes out otherwise when a survey is computed from its frames' stars again.

    Parameters
    ----------
    survey : SurveyRecord
        As kept, with the settings that it depends on.
    frames : sequence of FrameRecord
        Its frames in order.
    """
    found = differing_frames(frames)
    if found and any(difference.largest is None for difference in found):
        return found
    try:
        estimate = solve_axis_robustly(
            [recompute_frame(frame) for frame in frames],
            mechanical_floor_arcsec=survey.mechanical_floor_arcsec,
        )
    except PolewrightError as failure:
        return [*found, _failed("axis", failure)]
    correction = correct(
        estimate.axis_enu,
        estimate.covariance_rad2,
        pole_enu(survey.place, refracted=survey.target_pole == "refracted"),
        tolerance_rad=survey.tolerance_arcsec * ARCSEC_RAD,
        trustworthy=estimate.consistent,
    )
    found += _compare("axis", survey.estimate, estimate)
    return found + _compare("correction", survey.correction, correction)


def _failed(of: str, failure: PolewrightError) -> Difference:
    return Difference(
        of=of, figure=f"cannot be computed again ({failure.text}), which", largest=None
    )


def _compare(of: str, kept: Any, again: Any) -> list[Difference]:
    """Compare two records of one kind, field by field, bit for bit."""
    found = []
    for field in fields(kept):
        before, after = getattr(kept, field.name), getattr(again, field.name)
        if isinstance(before, np.ndarray):
            if before.shape != after.shape:
                found.append(Difference(of=of, figure=f"shape of {field.name}", largest=None))
            elif before.tobytes() != after.tobytes():
                largest = float(np.max(np.abs(before - after), initial=0.0))
                found.append(Difference(of=of, figure=field.name, largest=largest))
        elif isinstance(before, float) and isinstance(after, float):
            if before != after and not (math.isnan(before) and math.isnan(after)):
                found.append(Difference(of=of, figure=field.name, largest=abs(before - after)))
        elif before != after:
            found.append(Difference(of=of, figure=field.name, largest=None))
    return found
