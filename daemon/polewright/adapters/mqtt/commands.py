"""Commands as they come in: strict models, and what is said when one is refused."""

import json
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, Field, ValidationError

from polewright.adapters.mqtt.payloads import Body, Version
from polewright.core.errors import UsageError
from polewright.settings.explain import allowed_values
from polewright.settings.measuring import (
    AllowedPx,
    DiagonalMm,
    ExposureS,
    FarthestMm,
    FieldCount,
    FocalLengthMm,
    FrameCount,
    GotoArcsec,
    OpticsName,
    PixelSizeUm,
    PlannedExposureS,
    SettleS,
    SweepDeg,
    SyncWay,
    TargetPole,
    TargetText,
    ToleranceArcsec,
    VerifyBeforeMin,
    WishArcsec,
)

LARGEST_PAYLOAD_BYTES = 16 * 1024

_ENVELOPE = ("id", "v", "at", "expires")


class Command(Body):
    """What every command carries.

    ``id`` names the command and its reply topic; ``expires`` is the instant after which it must
    not be obeyed any more; ``v`` and ``at`` may be given.
    """

    id: Annotated[str, Field(pattern=r"^[A-Za-z0-9_\-]{1,64}$")]
    v: Version = 1
    at: AwareDatetime | None = None
    expires: AwareDatetime | None = None

    def arguments(self) -> dict[str, Any]:
        """Return the arguments that were given; null is left out, as the envelope is."""
        given = self.model_dump(exclude_unset=True, exclude_none=True)
        return {name: value for name, value in given.items() if name not in _ENVELOPE}


class SurveyCommand(Command):
    """Measure the axis; what is left out comes from the settings.

    ``at_dusk``: wait until the first stars can be measured; nothing moves before.
    """

    target_pole: TargetPole | None = None
    frames: FrameCount | None = None
    sweep_deg: SweepDeg | None = None
    exposure_s: ExposureS | None = None
    wish_arcsec: WishArcsec | None = None
    by_hand: bool | None = None
    at_dusk: bool | None = None
    settle_s: SettleS | None = None
    tolerance_arcsec: ToleranceArcsec | None = None


class SightCommand(Command):
    """Point at the Sun, the Moon or a planet by day, and tell what the sights say of the axis.

    Left out, the body is the Sun behind its confirmed filter, else the highest of the others.
    ``pointed``: it stands in the picture already, nothing is searched. ``turned``: the bolts were
    turned since the last sight by what was told. ``anew``: forget the sights before.
    """

    body: Literal["sun", "moon", "venus", "jupiter"] | None = None
    pointed: bool | None = None
    turned: bool | None = None
    anew: bool | None = None
    target_pole: TargetPole | None = None
    tolerance_arcsec: ToleranceArcsec | None = None


class AlignStarsCommand(Command):
    """Star-align the mount: a few fields, one more to check; ``confirm_clear`` is needed before.

    ``syncs``: whether the mount is told where it points at each field, once at the end, or never.
    ``points_elsewhere``: a person has looked, and it is right that the telescope points more than
    3 deg from where the mount says.
    """

    syncs: SyncWay | None = None
    goto_arcsec: GotoArcsec | None = None
    most_fields: FieldCount | None = None
    exposure_s: ExposureS | None = None
    points_elsewhere: bool | None = None


class AdjustCommand(Command):
    """Tell live which bolt to turn; ``stop_when_good``: end by itself once it is good enough.

    ``motors``: turn the bolts by motors, until it is good enough; needs ``confirm_clear`` before.
    ``by``: what the axis is followed by; ``bodies`` needs a sight before, ``sensor`` a phone or
    another sensor on the axis: it is rough, and needs no survey.
    """

    by: Literal["stars", "bodies", "sensor"] | None = None

    exposure_s: ExposureS | None = None
    tolerance_arcsec: ToleranceArcsec | None = None
    stop_when_good: bool | None = None
    motors: bool | None = None


class VerifyCommand(Command):
    """Verify before imaging that the axis is good enough and that nothing moved.

    ``depth``: ``quick`` looks at one to three frames and turns nothing; ``full`` surveys, needs
    ``confirm_clear`` before, and compares; ``auto`` (left out) looks, and surveys only where that
    cannot tell and the mount may move. The result is kept as ``last`` in ``schedule``.
    """

    depth: Literal["auto", "quick", "full"] | None = None
    target_pole: TargetPole | None = None
    exposure_s: ExposureS | None = None
    tolerance_arcsec: ToleranceArcsec | None = None


class DriftCommand(Command):
    """Check the axis by how a tracked target wanders off; nothing is slewed, no survey is needed.

    ``by``: ``stars`` of one field, or ``bodies``: the Sun, Moon or planet that was sighted last.
    It ends once both components are sure, after ``minutes`` (20 left out), or with ``stop``.
    Guiding must be off, and nobody may touch the bolts. After a go-to it goes on with both targets.
    """

    by: Literal["stars", "bodies"] | None = None
    minutes: Annotated[float, Field(ge=1, le=240)] | None = None
    exposure_s: ExposureS | None = None
    tolerance_arcsec: ToleranceArcsec | None = None


class KeepWatchCommand(Command):
    """Keep watch while imaging goes on, that the axis stays where it was measured.

    The camera is left to whoever images. What is looked at: files that appear in the folder of the
    settings, what comes at ``watch/frame`` and at ``watch/guide``. It goes on until another command
    begins, or ``hours`` are over, or ``end`` is told, which touches nothing (``stop`` would stop
    the mount as well).
    """

    end: bool | None = None
    hours: Annotated[float, Field(gt=0, le=48)] | None = None


class TurnedCommand(Command):
    """Say how far a knob was turned during an adjustment, so that turns can be told from then on.

    Send it when the hands rest; answered once that was seen.
    """

    bolt: Literal["altitude", "azimuth"]
    turns: Annotated[float, Field(ge=-50, le=50)]


class SensorOnSunCommand(Command):
    """A person says that a side of the sensor is turned to the Sun, so that its compass is set.

    By its shadow: never look at the Sun. ``side``: ``top`` (its y) or ``screen`` (its z); the side
    need not point as high as the Sun, only toward it. It holds for an hour.
    """

    side: Literal["top", "screen"] | None = None


class NotePlacementCommand(Command):
    """Say that the tripod's feet stand on the marks of this name, before the first survey there.

    Answered with how the axis will be found, once earlier returns tell. ``marked``: the marks were
    drawn just now. ``bolts_turned``: bolts were turned since the feet were put there, with nobody
    watching, so that the first survey does not show what the marks gave; may be said afterwards.
    """

    name: Annotated[str, Field(min_length=1, max_length=64, pattern=r"\S")]
    marked: bool | None = None
    bolts_turned: bool | None = None


class SetPlanCommand(Command):
    """Say what is shot tonight; tolerance, pole and the time to verify follow, until it is cleared.

    What is left out comes from the settings. ``targets``: names or places (ICRS, hours and degrees,
    or degrees both); ``optics``: names of [plan] optics, else the lengths and the pixel here;
    ``window_start`` and ``window_end``: both by the clock (``21:30`` local, ``19:30Z``) or as
    instants; ``night``: the dark hours instead. ``clear``: the settings' plan holds again.
    """

    clear: bool | None = None
    targets: Annotated[list[TargetText], Field(min_length=1, max_length=20)] | None = None
    optics: Annotated[list[OpticsName], Field(min_length=1, max_length=8)] | None = None
    focal_length_mm: FocalLengthMm | None = None
    pixel_size_um: PixelSizeUm | None = None
    farthest_mm: FarthestMm | None = None
    sensor_diagonal_mm: DiagonalMm | None = None
    allowed_px: AllowedPx | None = None
    exposure_s: PlannedExposureS | None = None
    guided: bool | None = None
    window_start: Annotated[str, Field(min_length=4, max_length=40)] | None = None
    window_end: Annotated[str, Field(min_length=4, max_length=40)] | None = None
    night: bool | None = None
    target_pole: TargetPole | None = None
    tolerance_arcsec: ToleranceArcsec | None = None
    verify_before_min: VerifyBeforeMin | None = None


class StopCommand(Command):
    """Stop all motion and leave what is going on."""


class ConfirmClearCommand(Command):
    """A person says that the mount is clear to move."""


class ConfirmSolarFilterCommand(Command):
    """A person says that a solar filter sits in front of this camera's objective.

    DANGER: it lifts the Sun's cone for that camera, and polewright cannot see the filter. Every
    other tube and finder needs a filter or a cap of its own. The word ends with ``fitted`` false,
    when the devices are connected anew, with another camera, and after six hours.
    """

    camera: Annotated[str, Field(min_length=1, max_length=64)]
    fitted: bool = True


class PingCommand(Command):
    """Ask whether a service is there; the adapter answers by itself."""


COMMANDS: Mapping[str, type[Command]] = {
    "survey": SurveyCommand,
    "sight": SightCommand,
    "align_stars": AlignStarsCommand,
    "adjust": AdjustCommand,
    "verify": VerifyCommand,
    "drift": DriftCommand,
    "keep_watch": KeepWatchCommand,
    "turned": TurnedCommand,
    "sensor_on_sun": SensorOnSunCommand,
    "note_placement": NotePlacementCommand,
    "set_plan": SetPlanCommand,
    "stop": StopCommand,
    "confirm_clear": ConfirmClearCommand,
    "confirm_solar_filter": ConfirmSolarFilterCommand,
    "ping": PingCommand,
}


def read_command(verb: str, payload: bytes, commands: Mapping[str, type[Command]]) -> Command:
    """Return a command that came in.

    Raises
    ------
    UsageError
        ``payload_too_large``, ``not_json``, ``unknown_verb`` or ``invalid_arguments``.
    """
    if len(payload) > LARGEST_PAYLOAD_BYTES:
        raise UsageError(
            f"The command is {len(payload)} bytes long, over the limit of {LARGEST_PAYLOAD_BYTES}",
            remedy="Send the command's own arguments only.",
            code="payload_too_large",
        )
    if (model := commands.get(verb)) is None:
        raise UsageError(
            f"There is no command {verb!r}",
            remedy=f"Known: {', '.join(sorted(commands))}.",
            code="unknown_verb",
        )
    try:
        raw = json.loads(payload)
    except (ValueError, RecursionError):
        raw = None
    if not isinstance(raw, dict):
        raise _not_json()
    try:
        return model.model_validate_json(payload)
    except ValidationError as error:
        if error.errors(include_url=False)[0]["type"] == "json_invalid":
            # Python's parser takes what the standard does not allow: other encodings, NaN.
            raise _not_json() from None
        raise UsageError(
            "; ".join(_problem(model, problem) for problem in error.errors(include_url=False)),
            remedy="Correct the arguments; nothing was done.",
            code="invalid_arguments",
        ) from None


def identifier_in(payload: bytes) -> object:
    """Return whatever a payload calls its id, however wrong the rest is; None where unreadable."""
    if len(payload) > LARGEST_PAYLOAD_BYTES:
        return None
    try:
        raw = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return raw.get("id") if isinstance(raw, dict) else None


def _not_json() -> UsageError:
    return UsageError(
        "The command's payload is not a JSON object",
        remedy='Send at least {"id": "..."} with an id of your own, in UTF-8.',
        code="not_json",
    )


def _problem(model: type[Command], problem: Any) -> str:
    name = str(problem["loc"][0]) if problem["loc"] else "payload"
    shown = json.dumps(problem["input"], default=str)[:60]
    known = model.model_fields
    if problem["type"] == "missing":
        return f"{name} is missing"
    if name not in known:
        return f"{name[:64]} is not a known argument; allowed: {', '.join(known)}"
    if name in ("at", "expires"):
        return f"{name} = {shown} is refused; allowed: an instant with its zone, ISO 8601"
    if name in ("window_start", "window_end"):
        return f"{name} = {shown} is refused; allowed: 21:30, 19:30Z or an instant, ISO 8601"
    if name == "id":
        return f"id = {shown} is refused; allowed: 1 to 64 letters, digits, - and _"
    return f"{name} = {shown} is refused; allowed: {allowed_values(known[name])}"
