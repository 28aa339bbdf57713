"""What goes over the wire: one strict model for each topic, the contract's version 1."""

import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field

CONTRACT_VERSION = 1

Verdict = Literal["good_enough", "not_yet", "cannot_tell"]
StateName = Literal[
    "idle", "surveying", "adjusting", "verifying", "star-aligning", "watching", "blocked"
]


def _no_truth(value: object) -> object:
    """Refuse ``true`` where 1 is meant: to Python they are equal, to the schema they are not."""
    if isinstance(value, bool):
        raise ValueError("the version is a number")
    return value


Version = Annotated[Literal[1], BeforeValidator(_no_truth)]
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=64)]
Text = Annotated[str, Field(max_length=1000)]
Sigma = Annotated[float, Field(ge=0)]
Percent = Annotated[float, Field(ge=0, le=100)]
Count = Annotated[int, Field(ge=0)]


class Body(BaseModel):
    """What all payloads share: nothing unknown, nothing converted, no infinity."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Payload(Body):
    """A published JSON object: contract version and instant in front."""

    v: Version
    at: AwareDatetime


class StatePayload(Payload):
    """What the service is doing now."""

    state: StateName
    since: AwareDatetime
    step: Text | None = None
    frames: Count | None = None
    percent: Percent | None = None
    reason: Text | None = None
    remedy: Text | None = None


class ResidualBody(Body):
    """What is left of one frame of a survey: direction and roll."""

    frame: Text
    turn_deg: float
    pointing_arcsec: Sigma
    roll_arcsec: float


class ReachPayload(Payload):
    """How each bolt stands against its place; left out where an earlier service did not say."""

    altitude_to_go_arcmin: float | None = None
    altitude_margin_arcmin: Sigma | None = None
    altitude_room_arcmin: Sigma | None = None
    azimuth_to_go_arcmin: float | None = None
    azimuth_margin_arcmin: Sigma | None = None
    azimuth_room_arcmin: Sigma | None = None


class SurveyPayload(ReachPayload):
    """The last committed survey."""

    method: Name
    target_pole: Literal["true", "refracted", "tonight"]
    axis_altitude_deg: Annotated[float, Field(ge=-90, le=90)]
    axis_azimuth_deg: Annotated[float, Field(ge=0, le=360)]
    altitude_error_arcmin: float
    altitude_error_sigma_arcmin: Sigma
    azimuth_error_arcmin: float
    azimuth_error_sigma_arcmin: Sigma
    azimuth_error_on_sky_arcmin: float
    total_error_arcmin: Sigma
    total_error_sigma_arcmin: Sigma
    chi2: Sigma
    degrees_of_freedom: Count
    frames: Count
    sweep_deg: Annotated[float, Field(ge=0, le=360)]
    tolerance_arcmin: Annotated[float, Field(gt=0)]
    verdict: Verdict
    age_s: Sigma | None = None
    roll_used: bool = True
    rejected_frames: Count = 0
    further_frame_sigma_arcmin: Sigma | None = None
    residuals: Annotated[list[ResidualBody], Field(max_length=100)] = []
    advice: Text | None = None
    meaning: Text | None = None
    longest_exposure_s: Sigma | None = None
    cycle_id: Text | None = None


class CorrectionPayload(ReachPayload):
    """The live correction; with ``live`` false its numbers are history, not for turning bolts."""

    method: Name = "stars"
    sequence: Count
    altitude_error_arcmin: float | None
    altitude_error_sigma_arcmin: Sigma | None
    azimuth_error_arcmin: float | None
    azimuth_error_sigma_arcmin: Sigma | None
    azimuth_error_on_sky_arcmin: float | None
    total_error_arcmin: Sigma | None
    total_error_sigma_arcmin: Sigma | None
    altitude_words: Text
    azimuth_words: Text
    altitude_turns: float | None
    azimuth_turns: float | None
    closeness: Percent
    tolerance_arcmin: Annotated[float, Field(gt=0)] | None = None
    verdict: Verdict
    live: bool
    frame_age_s: Sigma | None
    latency_ms: Sigma | None
    valid_s: Annotated[float, Field(gt=0)] | None = None
    meaning: Text | None = None
    longest_exposure_s: Sigma | None = None
    cycle_id: Text | None = None


class TermBody(Body):
    """One number of the mount's pointing."""

    name: Literal[
        "axis_east", "axis_up", "index_hour", "index_declination", "cone", "non_perpendicularity"
    ]
    arcsec: float
    sigma_arcsec: Sigma


class PointingPayload(Payload):
    """The last star alignment: how good go-tos are, and what the mount is off by.

    A null expectation means that the mount's own model hides its terms.
    """

    syncs: Literal["each", "once", "never"]
    verdict: Verdict
    goto_model_arcsec: Sigma | None
    goto_own_arcsec: Sigma | None
    goto_wish_arcsec: Annotated[float, Field(gt=0)]
    check_promised_arcsec: Sigma | None
    check_met_arcsec: Sigma
    fields: Count
    rejected_fields: Count
    spoiled_fields: Count
    terms: Annotated[list[TermBody], Field(max_length=6)]
    axis_altitude_deg: Annotated[float, Field(ge=-90, le=90)] | None
    axis_azimuth_deg: Annotated[float, Field(ge=0, le=360)] | None
    chi2: Sigma | None
    degrees_of_freedom: Count | None


class StarTargetBody(Body):
    """One star: pixel (column, row) now, and where it must come to be."""

    x_px: float
    y_px: float
    to_x_px: float
    to_y_px: float


class TargetsPayload(Payload):
    """For drawing on a camera view: stars of the newest frame, and where the bolts take them."""

    width_px: Annotated[int, Field(gt=0)]
    height_px: Annotated[int, Field(gt=0)]
    stars: Annotated[list[StarTargetBody], Field(max_length=12)]


class DoubtBody(Body):
    """What does not fit about place and time."""

    code: Name
    text: Text
    consequence: Text
    remedy: Text
    bars: Literal["nothing", "by_day", "always"]


class SitePayload(Payload):
    """Where the mount stands and whose time holds, and what does not fit."""

    latitude_deg: Annotated[float, Field(ge=-90, le=90)]
    longitude_deg: Annotated[float, Field(ge=-360, le=360)]
    elevation_m: float
    place_source: Literal["settings", "gps", "mount"] | None
    time_source: Literal["host", "gps"]
    clock_disciplined: bool | None
    doubts: Annotated[list[DoubtBody], Field(max_length=12)]


class EventPayload(Payload):
    """Something worth a person's notice."""

    level: Literal["info", "warning", "error"]
    code: Name
    text: Text
    remedy: Text | None = None


class IndiHealthBody(Body):
    """The devices behind the INDI server."""

    connected: bool
    problem: Text | None
    camera: Text | None = None
    mount: Text | None = None
    adjuster: Text | None = None


class PageHealthBody(Body):
    """The page: whether it is served, and whether motors may be offered there."""

    served: bool
    problem: Text | None
    offers_motors: bool


class BrokerHealthBody(Body):
    """The link to the broker."""

    connected: bool
    connections: Count
    protocol: Literal["3.1.1", "5"] | None
    echo: Literal["unknown", "passed", "failed"]
    dropped_messages: Count
    dropped_commands: Count
    problem: Text | None


class ClockHealthBody(Body):
    """This computer's clock: whether it is kept right, and what is added to it (s)."""

    disciplined: bool | None
    correction_s: float


class VersionsBody(Body):
    """What runs."""

    polewright: Text
    contract: Version
    python: Text


class HealthPayload(Payload):
    """How the service itself is: links, clock, disk, temperatures where known, versions."""

    uptime_s: Sigma
    indi: IndiHealthBody
    broker: BrokerHealthBody
    clock: ClockHealthBody
    page: PageHealthBody
    journal_problem: Text | None
    journal_set_aside: Text | None = None
    disk_free_mb: Count | None
    temperatures_c: dict[Text, float]
    versions: VersionsBody


class SensorPayload(Payload):
    """What a phone or another attitude sensor that is held to the axis says; it is rough."""

    source: Name
    streaming: bool
    hold: Literal["square", "along", "fixed"] | None = None
    still: bool = False
    sensor_altitude_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    sensor_altitude_sigma_deg: Sigma | None = None
    sensor_magnetic_azimuth_deg: Annotated[float, Field(ge=0, le=360)] | None = None
    sensor_magnetic_azimuth_sigma_deg: Sigma | None = None
    up: Annotated[list[float], Field(min_length=3, max_length=3)] | None = None
    rate_hz: Sigma | None = None
    compass_accuracy_deg: Sigma | None = None
    sensor_age_s: Sigma | None = None


class PlannedTargetBody(Body):
    """One target of the plan, ICRS."""

    name: Text
    right_ascension_deg: Annotated[float, Field(ge=0, le=360)]
    declination_deg: Annotated[float, Field(ge=-90, le=90)]


class PlannedTrainBody(Body):
    """One optical train of the plan, and how it exposes."""

    name: Text
    focal_length_mm: Annotated[float, Field(gt=0)]
    pixel_size_um: Annotated[float, Field(gt=0)]
    exposure_s: Annotated[float, Field(gt=0)]
    guided: bool
    farthest_mm: Annotated[float, Field(gt=0)]
    allowed_px: Annotated[float, Field(gt=0)]


class PlanWarningBody(Body):
    """Something about the plan that a person should know before the night."""

    code: Name
    text: Text
    remedy: Text


class PlanBody(Body):
    """Tonight's plan, and what follows from it for the axis."""

    source: Literal["command", "settings"]
    targets: Annotated[list[PlannedTargetBody], Field(max_length=20)]
    trains: Annotated[list[PlannedTrainBody], Field(max_length=8)]
    start: AwareDatetime | None
    end: AwareDatetime | None
    verify_at: AwareDatetime | None
    tolerance_arcmin: Annotated[float, Field(gt=0)] | None
    tolerance_reason: Text | None
    tightest_target: Text | None
    tightest_train: Text | None
    target_pole: Literal["true", "refracted", "tonight"]
    pole_reason: Text
    warnings: Annotated[list[PlanWarningBody], Field(max_length=100)]
    words: Text


class AlarmBody(Body):
    """The axis moved: by how much, which way, how sure."""

    noticed: AwareDatetime
    held_until: AwareDatetime
    evidence: Literal["turn", "creep", "jump", "guide_jump", "guide_trend"]
    altitude_move_arcmin: float
    altitude_move_sigma_arcmin: Sigma
    azimuth_move_on_sky_arcmin: float
    azimuth_move_on_sky_sigma_arcmin: Sigma
    size_arcmin: Sigma
    significance: Sigma
    confidence_percent: Percent
    words: Text


class WatchPayload(Payload):
    """How the watch over imaging goes: since when the axis is believed, evidence, alarms."""

    watching: bool
    believed_since: AwareDatetime
    looked_at: Text
    frames: Count
    unsolved_frames: Count
    guide_offsets: Count
    last_frame: AwareDatetime | None
    last_guide_offset: AwareDatetime | None
    mount_vouches: bool
    alarms: Annotated[list[AlarmBody], Field(max_length=20)]


class NextBody(Body):
    """The next verification: when, and what makes it due."""

    due: AwareDatetime
    rule: Literal["clock", "dusk", "plan"]


class VerificationBody(Body):
    """One verification: whether the axis is good enough, and whether it moved."""

    verified: AwareDatetime
    scheduled: bool
    depth: Literal["auto", "quick", "full"]
    verdict: Verdict
    moved: bool | None
    altitude_move_arcmin: float | None
    altitude_move_sigma_arcmin: Sigma | None
    azimuth_move_on_sky_arcmin: float | None
    azimuth_move_on_sky_sigma_arcmin: Sigma | None
    compared_with: AwareDatetime | None
    total_error_arcmin: Sigma | None
    total_error_sigma_arcmin: Sigma | None
    tolerance_arcmin: Annotated[float, Field(gt=0)] | None
    frames: Count
    words: Text
    code: Name | None
    reason: Text | None
    remedy: Text | None


class SchedulePayload(Payload):
    """Scheduled verification: what is next, what came out last, and tonight's plan."""

    next: NextBody | None
    waiting: Text | None
    last: VerificationBody | None
    plan: PlanBody | None = None


class ErrorBody(Body):
    """Why a command was refused or failed, and what to do."""

    code: Name
    text: Text
    remedy: Text


class ReplyPayload(Payload):
    """An answer to a command: accepted at once, then progress, then done or failed."""

    id: Annotated[str, Field(pattern=r"^[A-Za-z0-9_\-]{1,64}$")]
    ok: bool
    status: Literal["accepted", "progress", "done", "failed"]
    result: dict[str, Any] | None = None
    error: ErrorBody | None = None


PAYLOADS: Mapping[str, type[Payload]] = {
    "state": StatePayload,
    "survey": SurveyPayload,
    "correction": CorrectionPayload,
    "targets": TargetsPayload,
    "pointing": PointingPayload,
    "site": SitePayload,
    "event": EventPayload,
    "health": HealthPayload,
    "sensor": SensorPayload,
    "watch": WatchPayload,
    "schedule": SchedulePayload,
    "reply/+": ReplyPayload,
}

_SIGNED = r"^(none|-?[0-9]+\.[0-9]{2})$"
_WORDS = {"type": "string", "minLength": 1, "maxLength": 1000}
_VERDICTS = {"enum": ["good_enough", "not_yet", "cannot_tell", "none"]}

# Bare texts, by topic: the schema of the text as it stands on the wire.
SCALAR_SCHEMAS: Mapping[str, dict[str, Any]] = {
    "availability": {"enum": ["online", "offline"]},
    "correction/altitude_arcmin": {"type": "string", "pattern": _SIGNED},
    "correction/azimuth_arcmin": {"type": "string", "pattern": _SIGNED},
    "correction/total_arcmin": {"type": "string", "pattern": _SIGNED},
    "correction/altitude_words": _WORDS,
    "correction/azimuth_words": _WORDS,
    "correction/verdict": _VERDICTS,
    "correction/closeness": {"type": "string", "pattern": "^(100|[1-9]?[0-9])$"},
}


def model_for(topic: str) -> type[Payload] | None:
    """Return the model of a topic below the mount's root; None where the contract has none yet."""
    return PAYLOADS["reply/+"] if topic.startswith("reply/") else PAYLOADS.get(topic)


def check_payload(topic: str, text: str) -> None:
    """Check what is about to go out, or has come in, against the contract.

    Parameters
    ----------
    topic : str
        Below the mount's root.
    text : str
        The payload as it stands on the wire.

    Raises
    ------
    ValueError
        It breaks the contract (pydantic's ValidationError is one).
    """
    if (model := model_for(topic)) is not None:
        model.model_validate_json(text)
    elif (schema := SCALAR_SCHEMAS.get(topic)) is not None and not _fits(text, schema):
        raise ValueError(f"{text[:60]!r} is not allowed; allowed: {schema}")


def payload_schemas() -> dict[str, dict[str, Any]]:
    """Return the JSON schema of every modelled topic, commands included."""
    from polewright.adapters.mqtt.commands import COMMANDS
    from polewright.adapters.mqtt.inputs import INPUTS

    schemas: dict[str, dict[str, Any]] = dict(SCALAR_SCHEMAS)
    schemas |= {topic: model.model_json_schema() for topic, model in PAYLOADS.items()}
    schemas |= {topic: model.model_json_schema() for topic, model in INPUTS.items()}
    schemas |= {f"command/{verb}": model.model_json_schema() for verb, model in COMMANDS.items()}
    return schemas


def scalars_of(correction: Mapping[str, Any] | None) -> dict[str, str]:
    """Return the bare scalars of a correction message; the stale ones for None or not live.

    Numbers are the errors, as in the message; stale: ``none``, ``--`` and 0, so that no display
    shows an old number as live.
    """
    if correction is None or not correction["live"]:
        return {
            "correction/altitude_arcmin": "none",
            "correction/azimuth_arcmin": "none",
            "correction/total_arcmin": "none",
            "correction/altitude_words": "--",
            "correction/azimuth_words": "--",
            "correction/verdict": "none",
            "correction/closeness": "0",
        }
    return {
        "correction/altitude_arcmin": _number(correction["altitude_error_arcmin"]),
        "correction/azimuth_arcmin": _number(correction["azimuth_error_arcmin"]),
        "correction/total_arcmin": _number(correction["total_error_arcmin"]),
        "correction/altitude_words": correction["altitude_words"] or "--",
        "correction/azimuth_words": correction["azimuth_words"] or "--",
        "correction/verdict": correction["verdict"],
        "correction/closeness": str(round(correction["closeness"])),
    }


def _fits(text: str, schema: Mapping[str, Any]) -> bool:
    if "enum" in schema:
        return text in schema["enum"]
    if "pattern" in schema:
        return re.search(schema["pattern"], text) is not None
    return int(schema["minLength"]) <= len(text) <= int(schema["maxLength"])


def _number(value: float | None) -> str:
    return "none" if value is None else f"{value:.2f}".replace("-0.00", "0.00")
