"""Records: what is kept of an evening, complete enough to be computed again years later."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from polewright.core.axis.correction import Correction
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.imaging.attitude import Attitude
from polewright.core.sky.instant import EarthOrientation
from polewright.core.sky.place import Place


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrameRecord:
    """One solved frame.

    Attributes
    ----------
    key : str
        Unlike that of any other frame, ever.
    camera : str
        The camera's name.
    place : Place
        Where it was taken, and the air above.
    orientation : EarthOrientation
        The Earth's as it was taken to be: tables are revised later.
    attitude : Attitude
        What the solver found, matched stars included.
    observed : ObservedAttitude
        What was made of it.
    """

    key: str
    camera: str
    place: Place
    orientation: EarthOrientation
    attitude: Attitude
    observed: ObservedAttitude


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurveyRecord:
    """One committed survey and the settings that it depends on.

    Attributes
    ----------
    committed_at : datetime
        Aware UTC instant.
    place : Place
        Where the mount stood, and the air above.
    target_pole : str
        ``refracted`` or ``true``.
    tolerance_arcsec : float
        Largest total error that was good enough (arcsec).
    mechanical_floor_arcsec : float
        Wander per frame that was added to the star noise (arcsec).
    frame_keys : tuple of str
        The frames that the estimate was made from, in order, those left out included.
    estimate : AxisEstimate
        Where the axis points.
    correction : Correction
        What was made of it.
    versions : mapping
        What computed it, by name.
    """

    committed_at: datetime
    place: Place
    target_pole: str
    tolerance_arcsec: float
    mechanical_floor_arcsec: float
    frame_keys: tuple[str, ...]
    estimate: AxisEstimate
    correction: Correction
    versions: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LiveRecord:
    """One correction told during an adjustment, and the frame that it comes from."""

    at: datetime
    sequence: int
    frame_key: str
    correction: Correction


@dataclass(frozen=True, slots=True, kw_only=True)
class TransitionRecord:
    """One change of what the service is doing, and the error code that caused it, if any."""

    at: datetime
    before: str
    after: str
    happening: str
    code: str | None = None
