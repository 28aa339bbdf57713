"""The axis of pictures against the ground, weighed as a survey's frames are, and what disagrees."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from polewright.core.axis.diagnosis import Cause, Diagnosis
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.weighing import (
    SurveyFrame,
    Weighed,
    WeighingRules,
    blames_roll,
    even_without_roll,
    weigh,
)
from polewright.core.errors import MeasurementError


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureAxis:
    """The best axis; ``trouble``: why it is not to be believed; ``words``: what else to say."""

    estimate: AxisEstimate
    trouble: MeasurementError | None = None
    words: tuple[str, ...] = ()


def axis_of_pictures(attitudes: Sequence[ObservedAttitude], rules: WeighingRules) -> PictureAxis:
    """Return the axis that the pictures share, or the nearest to it and what moved.

    Raises
    ------
    MeasurementError
        ``too_few_frames``, ``turn_too_small``; what moved, where no axis comes out at all.
    """
    # What moved is told by the picture after which it did: in the order in which they were taken.
    frames = [SurveyFrame(attitude=one) for one in sorted(attitudes, key=lambda one: one.instant)]
    weighed = weigh(frames, rules)
    trouble: MeasurementError | None = None
    if not weighed.believable:
        try:
            blames_roll(frames, weighed, rules)
            weighed = weigh(frames, rules, without_roll=True)
            trouble = None if weighed.believable else even_without_roll()
        except MeasurementError as what_moved:
            trouble = _of_pictures(what_moved, frames, weighed)
    if weighed.estimate is None:
        raise trouble or even_without_roll()
    words = []
    if weighed.left_out:
        words.append(
            f"the first {weighed.left_out} do not count: the tube was on the other side of the pier"
        )
    if trouble is None and rules.use_roll is None and not weighed.estimate.roll_used:
        words.append(f"{Diagnosis(cause=Cause.ROLL_UNTRUSTED).words}: directions alone decide")
    return PictureAxis(estimate=weighed.estimate, trouble=trouble, words=tuple(words))


def _of_pictures(
    trouble: MeasurementError, frames: Sequence[SurveyFrame], weighed: Weighed
) -> MeasurementError:
    """Return it with the pictures' names, and with a remedy for pictures that are there already."""
    kept = [frame.attitude.label for frame in frames[weighed.left_out :]]
    text = re.sub(
        r"after frame (\d+)", lambda found: f"after {kept[int(found[1]) - 1]}", trouble.text
    )
    remedy = trouble.remedy
    if trouble.code == "too_few_frames":
        text = text.replace("frames", "pictures")
        remedy = "Give pictures at three or more different turns; of four a wrong one can be found."
    return MeasurementError(text, remedy=remedy, code=trouble.code)
