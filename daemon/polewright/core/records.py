"""Records: what is kept of an evening, complete enough to be computed again years later."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from polewright.core.axis.attitude_sensor import SensorAxis
from polewright.core.axis.correction import Correction
from polewright.core.axis.estimate import AxisEstimate
from polewright.core.axis.knobs import Bolt, Knob
from polewright.core.axis.mechanical_floor import SurveyEvidence
from polewright.core.axis.observation import ObservedAttitude
from polewright.core.axis.pointing_mechanics import PointingTerms
from polewright.core.geometry.rotations import Matrix, Vector
from polewright.core.imaging.attitude import Attitude
from polewright.core.imaging.optical_train import OpticalTrain, TrainKey
from polewright.core.plan.evening_plan import PlanAsked
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
        Its name: ``refracted``, ``true`` or another.
    target_enu : ndarray of shape (3,)
        Where it was taken to be.
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
    declination_deg : float or None
        Where the mount's declination stood, as it said itself (deg of date).
    pier_side : str
        ``east``, ``west`` or ``unknown``, likewise.
    mount : str
        The mount's name; empty where it was turned by hand or is not known.
    camera : str
        The camera's name; empty where an older version kept the survey.
    scale_arcsec_px : float or None
        Of its pictures (arcsec per pixel); None where an older version kept the survey.
    """

    committed_at: datetime
    place: Place
    target_pole: str
    target_enu: Vector
    tolerance_arcsec: float
    mechanical_floor_arcsec: float
    frame_keys: tuple[str, ...]
    estimate: AxisEstimate
    correction: Correction
    versions: Mapping[str, str]
    declination_deg: float | None = None
    pier_side: str = "unknown"
    mount: str = ""
    camera: str = ""
    scale_arcsec_px: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LiveSetting:
    """What all corrections of one adjustment depend on.

    Attributes
    ----------
    survey_instant : datetime
        Instant of the survey that was adjusted from.
    place : Place
        Where the mount stood, and the air above.
    target_pole : str
        Its name: ``refracted``, ``true`` or another.
    target_enu : ndarray of shape (3,)
        Where it was taken to be.
    tolerance_arcsec : float
        Largest total error that was good enough (arcsec).
    mechanical_floor_arcsec : float
        Wander per frame that was added to the star noise (arcsec).
    """

    survey_instant: datetime
    place: Place
    target_pole: str
    target_enu: Vector
    tolerance_arcsec: float
    mechanical_floor_arcsec: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LiveRecord:
    """One correction told during an adjustment.

    Attributes
    ----------
    at : datetime
        Aware UTC instant at which it was told.
    sequence : int
        Its number, from 1 in each adjustment.
    frame_key : str
        The frame that it comes from.
    tracking : bool or None
        Whether the mount tracked since the frame before; None where it did not say.
    held : bool
        Whether the frame before was good enough, which the verdict then holds on to.
    setting : LiveSetting
        What it depends on besides.
    correction : Correction
        What was told.
    moved : bool
        Whether motors were commanded since the frame before.
    """

    at: datetime
    sequence: int
    frame_key: str
    tracking: bool | None
    held: bool
    setting: LiveSetting
    correction: Correction
    moved: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TransitionRecord:
    """One change of what the service is doing, and the error code that caused it, if any."""

    at: datetime
    before: str
    after: str
    happening: str
    code: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeRecord:
    """One event as everybody was told it; level: ``info``, ``warning`` or ``error``."""

    at: datetime
    level: str
    code: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class KnobRecord:
    """What is known of a knob of a mount (empty name: turned by hand) after a report."""

    at: datetime
    mount: str
    bolt: Bolt
    knob: Knob


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainRecord:
    """What is known of an optical train after a command."""

    at: datetime
    key: TrainKey
    train: OpticalTrain


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BracketRecord:
    """What one survey taught of how a bracket holds a sensor to the polar axis.

    Attributes
    ----------
    at : datetime
        Aware UTC instant of the survey's commit.
    mount : str
        The mount's name; empty where it was turned by hand.
    bracket : str
        The bracket's name.
    held_sensor : ndarray of shape (3,)
        The polar axis in the sensor's frame, as it was meant to be held.
    said : SensorAxis
        What the sensor said while the survey ran, with a bracket of which only that is known.
    axis_enu : ndarray of shape (3,)
        The axis that the survey found.
    covariance_rad2 : ndarray of shape (2, 2)
        Of it: increasing azimuth on the sky, increasing altitude (rad^2).
    """

    at: datetime
    mount: str
    bracket: str
    held_sensor: Vector
    said: SensorAxis
    axis_enu: Vector
    covariance_rad2: Matrix


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointingRecord:
    """What one star alignment found of a mount and the telescope on it.

    Attributes
    ----------
    at : datetime
        Aware UTC instant.
    mount, camera : str
        Their names.
    place : Place
        Where the mount stood.
    terms : PointingTerms
        As the mount showed itself before it was told anything.
    covariance_rad2 : ndarray of shape (6, 6)
        Of the terms in order (rad^2).
    fields : int
        Number of fields that it was made from.
    chi2, degrees_of_freedom : float, int
        How they fit.
    goto_arcsec : float
        Expected go-to error through the model (rms, arcsec).
    check_promised_arcsec, check_met_arcsec : float
        At the field that no fit had seen (arcsec).
    syncs : str
        What the mount was told: ``each``, ``once`` or ``never``.
    from_home : bool
        False where it had been told where it points before, so that its zero points say nothing.
    """

    at: datetime
    mount: str
    camera: str
    place: Place
    terms: PointingTerms
    covariance_rad2: Matrix
    fields: int
    chi2: float
    degrees_of_freedom: int
    goto_arcsec: float
    check_promised_arcsec: float
    check_met_arcsec: float
    syncs: str
    from_home: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacementRecord:
    """What somebody said of where the tripod's feet stand.

    Attributes
    ----------
    at : datetime
        Aware UTC instant.
    mount : str
        The mount's name; empty where it is turned by hand.
    name : str
        Of the marks on the ground.
    new_marks : bool
        Whether they were drawn just then, so that this is no return to them.
    stands_already : bool
        Whether the mount had been said to stand there: said again, no other stand.
    bolts_turned : bool
        Whether bolts were turned since the feet were put there, with nobody watching.
    place : Place
        Where that is.
    """

    at: datetime
    mount: str
    name: str
    new_marks: bool
    stands_already: bool
    bolts_turned: bool
    place: Place


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRecord:
    """What a command asked for as the evening's plan; ``asked`` is None where it cleared it."""

    at: datetime
    asked: PlanAsked | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lessons:
    """What earlier evenings taught, the newest of everything.

    Attributes
    ----------
    knobs : tuple of KnobRecord
        One for each mount and bolt.
    trains : tuple of TrainRecord
        One for each train, oldest first.
    surveys : tuple of pairs
        The newest surveys' mounts, and what they say of the mechanical floor.
    brackets : tuple of BracketRecord
        The newest of each mount and bracket, oldest first.
    pointings : tuple of PointingRecord
        The newest of each mount and camera, oldest first.
    """

    knobs: tuple[KnobRecord, ...] = ()
    trains: tuple[TrainRecord, ...] = ()
    surveys: tuple[tuple[str, SurveyEvidence], ...] = ()
    brackets: tuple[BracketRecord, ...] = ()
    pointings: tuple[PointingRecord, ...] = ()
