"""Survey plans: at which hour angles to take the frames."""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from polewright.core.errors import MeasurementError


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyPlan:
    """Hour angles to visit in order (deg, west positive), at an untouched declination."""

    hour_angles_deg: tuple[float, ...]

    @property
    def sweep_deg(self) -> float:
        """Turn from the first to the last frame (deg)."""
        return abs(self.hour_angles_deg[-1] - self.hour_angles_deg[0])


def plan_sweep(
    hour_angle_now_deg: float,
    *,
    sweep_deg: float,
    frames: int,
    hour_angle_min_deg: float,
    hour_angle_max_deg: float,
    meridian_margin_deg: float,
    cross_meridian: bool = False,
) -> SurveyPlan:
    """Plan a one-directional sweep on the present side of the meridian.

    The sweep starts at the end nearer to where the mount points, so that it moves little before
    the first frame, and turns in one direction only, which keeps backlash out.

    Parameters
    ----------
    hour_angle_now_deg : float
        Where the mount points (deg, west positive).
    sweep_deg, frames : float, int
        Wanted turn and number of frames.
    hour_angle_min_deg, hour_angle_max_deg : float
        The mount stays between these (deg; east negative).
    meridian_margin_deg : float
        The mount stays this far from the meridian (deg) unless ``cross_meridian``.

    Raises
    ------
    MeasurementError
        ``no_room``: the limits leave too little turn.
    """
    side = -1.0 if hour_angle_now_deg < 0.0 else 1.0
    low, high = hour_angle_min_deg, hour_angle_max_deg
    if not cross_meridian:
        low = low if side < 0.0 else max(low, meridian_margin_deg)
        high = high if side > 0.0 else min(high, -meridian_margin_deg)
    if high - low < min(sweep_deg, 15.0):
        raise MeasurementError(
            f"the hour-angle limits leave only {max(high - low, 0.0):.0f} deg to turn",
            remedy="If the mount does not point where it says, its site or time is missing or "
            "wrong: set them at the mount. Else point to the other side, or widen [safety] "
            "hour_angle_min_deg or hour_angle_max_deg if the mount can go there safely.",
            code="no_room",
        )
    sweep = min(sweep_deg, high - low)
    start = min(max(hour_angle_now_deg, low), high)
    if start + sweep <= high and (side > 0 or start - sweep < low):
        end = start + sweep
    elif start - sweep >= low:
        end = start - sweep
    elif high - start >= start - low:
        start, end = high - sweep, high
    else:
        start, end = low + sweep, low
    return SurveyPlan(hour_angles_deg=tuple(float(x) for x in np.linspace(start, end, frames)))


def safe_range(
    start_deg: float,
    *,
    low_deg: float,
    high_deg: float,
    is_safe: Callable[[float], bool],
    step_deg: float = 2.5,
) -> tuple[float, float]:
    """Return how far from a start one may turn each way (deg) before it is not safe any more."""

    def reach(limit_deg: float) -> float:
        sense = 1.0 if limit_deg >= start_deg else -1.0
        reached = start_deg
        for way in np.arange(step_deg, abs(limit_deg - start_deg) + step_deg, step_deg):
            place = start_deg + sense * min(float(way), abs(limit_deg - start_deg))
            if not is_safe(place):
                break
            reached = place
        return reached

    return reach(low_deg), reach(high_deg)


def widest_gap(hour_angles_deg: Sequence[float]) -> float:
    """Return the middle of the widest gap between the places visited (deg): the next to look."""
    places = sorted(hour_angles_deg)
    pairs = itertools.pairwise(places)
    low, high = max(pairs, key=lambda pair: pair[1] - pair[0])
    return 0.5 * (low + high)
