"""Recomputing: a kept survey from its kept frames, by the functions that made it, to the digit."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from polewright.core.axis.correction import correct
from polewright.core.axis.live_filter import LiveState, advance, begin
from polewright.core.axis.live_model import LiveModel
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.observing import observe
from polewright.core.axis.survey import solve_axis_robustly
from polewright.core.errors import PolewrightError
from polewright.core.geometry.directions import ARCSEC_RAD
from polewright.core.geometry.rotations import Vector
from polewright.core.records import FrameRecord, LiveRecord, LiveSetting, SurveyRecord
from polewright.core.sky.observed import pole_enu
from polewright.session.following import correction_now


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Something that did not come out as before.

    Attributes
    ----------
    of : str
        Whose: a frame, the axis, a correction.
    what : str
        In words.
    largest : float or None
        By how much at most, in the figure's own unit; None where that is no number.
    """

    of: str
    what: str
    largest: float | None = None

    def __str__(self) -> str:
        """Return it in words."""
        by = "" if self.largest is None else f" by up to {self.largest:.3g}"
        return f"{self.of}: {self.what}{by}"


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
            use_roll=survey.estimate.roll_used,
        )
    except PolewrightError as failure:
        return [*found, _failed("axis", failure)]
    correction = correct(
        estimate.axis_enu,
        estimate.covariance_rad2,
        _target(survey),
        tolerance_rad=survey.tolerance_arcsec * ARCSEC_RAD,
        trustworthy=estimate.consistent,
    )
    found += _compare("axis", survey.estimate, estimate)
    return found + _compare("correction", survey.correction, correction)


def differing_corrections(
    survey: SurveyRecord, told: Iterable[tuple[LiveRecord | None, FrameRecord | None]]
) -> tuple[list[Difference], int]:
    """Return what comes out otherwise when the live corrections are computed again.

    Parameters
    ----------
    survey : SurveyRecord
        The survey before them.
    told : iterable of pairs
        The corrections after it in order, each with its frame; None for what is lost.

    Returns
    -------
    differences : list of Difference
    count : int
        How many corrections were computed again.
    """
    found: list[Difference] = []
    state: LiveState | None = None
    last, count = 0, 0
    for live, frame in told:
        if live is None or frame is None:
            state, last = None, -1
            found.append(_lost("a correction", "is lost from the journal"))
            continue
        name = f"correction {live.sequence} of {live.at:%Y-%m-%d %H:%M:%S}"
        if live.sequence == 1:
            model = LiveModel(mechanical_floor_arcsec=live.setting.mechanical_floor_arcsec)
            state = begin(survey.estimate, model)
            if live.setting.survey_instant != survey.estimate.instant:
                found.append(_lost(name, "began from a survey that was not kept"))
                state = None
        elif state is not None and live.sequence != last + 1:
            found.append(_lost(name, f"follows number {last}: those between were not kept"))
            state = None
        last = live.sequence
        if state is None:
            continue
        try:
            state = advance(state, recompute_frame(frame), tracking=live.tracking, moved=live.moved)
        except PolewrightError as failure:
            found.append(_failed(name, failure))
            state = None
            continue
        _, correction = correction_now(
            state,
            _target(live.setting),
            tolerance_rad=live.setting.tolerance_arcsec * ARCSEC_RAD,
            held=live.held,
        )
        count += 1
        found += _compare(name, live.correction, correction)
    return found, count


def _target(kept: SurveyRecord | LiveSetting) -> Vector:
    """Return the target, computed again where it is a pole of the place alone."""
    if kept.target_pole in ("refracted", "true"):
        return pole_enu(kept.place, refracted=kept.target_pole == "refracted")
    return kept.target_enu


def _lost(of: str, what: str) -> Difference:
    return Difference(of=of, what=f"{what}, and cannot be computed again")


def _failed(of: str, failure: PolewrightError) -> Difference:
    return Difference(of=of, what=f"cannot be computed again: {failure.text}")


def _compare(of: str, kept: Any, again: Any) -> list[Difference]:
    """Compare two records of one kind, field by field, bit for bit."""
    found = []
    for field in fields(kept):
        before, after = getattr(kept, field.name), getattr(again, field.name)
        if isinstance(before, np.ndarray):
            if before.shape != after.shape:
                found.append(Difference(of=of, what=f"{field.name} has another shape"))
            elif before.tobytes() != after.tobytes():
                largest = float(np.max(np.abs(before - after), initial=0.0))
                found.append(Difference(of=of, what=f"{field.name} differs", largest=largest))
        elif isinstance(before, float) and isinstance(after, float):
            if before != after and not (math.isnan(before) and math.isnan(after)):
                found.append(
                    Difference(of=of, what=f"{field.name} differs", largest=abs(before - after))
                )
        elif before != after:
            found.append(Difference(of=of, what=f"{field.name} differs"))
    return found
